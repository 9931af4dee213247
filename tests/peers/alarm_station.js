// The station with job control of job_station.js, with an alarm of the stack's own alarms and conditions (OPC 10000-9): its machine gets
// too warm. For tests; what a test says to it, serving.js takes.
"use strict";
const { DataType } = require("node-opcua");
const { run } = require("./serving.js");
const { Station, SET, OWN } = require("./job_station.js");

const WARM = 30;
const COLD = -10;

class WarmStation extends Station {
  machine() {
    this.own = this.space.getNamespace(OWN);
    const { objects } = this.space.rootFolder;
    this.body = this.own.addObject({ browseName: "Station", organizedBy: objects, notifierOf: objects.server });
    return this.body;
  }

  build() {
    super.build();
    this.space.installAlarmsAndConditionsService();
    this.sensor = this.own.addVariable({
      browseName: "Temperature", componentOf: this.body, eventSourceOf: this.body, dataType: "Double",
      value: { dataType: DataType.Double, value: 20 },
    });
    this.own.instantiateNonExclusiveLimitAlarm("NonExclusiveLimitAlarmType", {
      browseName: "TooWarm", componentOf: this.body, conditionSource: this.sensor, inputNode: this.sensor,
      highHighLimit: 2 * WARM, highLimit: WARM, lowLimit: COLD, lowLowLimit: 2 * COLD,
    });
  }

  set temperature(value) { this.sensor.setValueFromSource({ dataType: DataType.Double, value }); }
}

if (require.main === module) {
  run({
    name: "alarm-station", nodesets: SET, namespaces: [OWN],
    build: (server) => { const station = new WarmStation(server); station.build(); return station; },
  });
}
