// A geometric measuring system (OPC 40210 1.0) with job control and machinery result transfer on the node-opcua stack.
//
// The package with the official nodesets has none of OPC 40210, so the part of it that is needed here is built from the published
// specification (https://reference.opcfoundation.org/GMS/v100/docs): browse names, types and node ids of GMSType (8.1),
// LoadingMonitoringType (8.4), SensorType (8.10), CalibrationPrognosisType (8.11), GMSResultManagementType (8.12) and
// ToolIsQualifiedStatus (11.7), on the official nodesets of machine tools (OPC 40501-1), machinery and result transfer.
// Started with "bare" as third argument it has none of what OPC 40210 leaves optional: loading, calibration, sensor.
"use strict";
const { Variant, DataType, nodesets, coerceLocalizedText } = require("node-opcua");
const { ResultStation, RESULT_SET, ALL, RESULT } = require("./result_station.js");
const { MACHINERY } = require("./job_station.js");
const { run } = require("./serving.js");

const GMS = "http://opcfoundation.org/UA/GMS/";
const TOOLS = "http://opcfoundation.org/UA/MachineTool/";
const OWN = "urn:pointsman:sim:gms-station";
const QUALIFIED = ["Qualified", "Imprecise", "NotQualified"];
const boolean = (value) => new Variant({ dataType: DataType.Boolean, value });
const int32 = (value) => new Variant({ dataType: DataType.Int32, value });
const uint32 = (value) => new Variant({ dataType: DataType.UInt32, value });

class GmsStation extends ResultStation {
  constructor(server, kind) {
    super(server, ALL);
    this.kind = kind;
    this.manual = false;
    this.parked = true;          // the axes are out of the way
    this.loadStatus = null;      // null: as the switch in the nest has it
    this.calibrated = true;
    this.qualified = 0;
  }

  machine() {
    const space = this.space;
    this.own = space.getNamespace(OWN);
    this.gms = space.getNamespace(GMS);
    this.tools = space.getNamespace(TOOLS);
    this.types();
    const machines = space.getNamespace(MACHINERY).findNode("i=1001");
    const machine = this.type1002.instantiate({
      browseName: { name: "Station", namespaceIndex: this.own.index }, organizedBy: machines,
      optionals: ["Notification.Prognoses", "Equipment.Tools"],
    });
    return machine;
  }

  base(name, namespace) { return this.space.findObjectType(name, namespace.index); }

  types() {
    const of = (browseName, id, subtypeOf) => this.gms.addObjectType({ browseName, nodeId: `i=${id}`, subtypeOf });
    const result = this.space.getNamespace(RESULT);
    this.type1002 = of("GMSType", 1002, this.base("MachineToolType", this.tools));
    this.type1014 = of("LoadingMonitoringType", 1014, this.base("ElementMonitoringType", this.tools));
    this.type1019 = of("CalibrationPrognosisType", 1019, this.base("PrognosisType", this.tools));
    this.type1007 = of("SensorType", 1007, this.base("ToolType", this.tools));
    this.type1008 = of("GMSResultManagementType", 1008, this.base("ResultManagementType", result));
    this.status = this.gms.addEnumerationType({ browseName: "ToolIsQualifiedStatus", nodeId: "i=3002", enumeration: QUALIFIED });
  }

  build() {
    super.build();
    const machine = this.space.rootFolder.objects.getFolderElementByName("Machines").getFolderElementByName("Station");
    const part = (node, ...names) => names.reduce((here, name) => here.getComponentByName(name) || here.getChildByName(name), node);
    const mode = part(machine, "Monitoring", "MachineTool", "OperationMode");
    this.live(mode, () => int32(this.manual ? 0 : 1));
    if (this.kind === "bare") return;
    this.loading(part(machine, "Monitoring"));
    this.calibration(part(machine, "Notification", "Prognoses"));
    this.sensor(part(machine, "Equipment", "Tools"));
  }

  // OPC 40210 has it as a component of the machine, in its own namespace (8.1).
  buildResults(_namespace, _parent, _type) {
    this.result = this.space.getNamespace(RESULT);
    const machine = this.space.rootFolder.objects.getFolderElementByName("Machines").getFolderElementByName("Station");
    super.buildResults(this.gms, machine, this.type1008);
  }

  shows(parent, name, dataType, initial, get, kind = "componentOf") {
    const variable = this.gms.addVariable({ browseName: name, [kind]: parent, dataType, value: initial });
    this.live(variable, get);
  }

  loading(monitoring) {
    const loading = this.gms.addObject({ browseName: "LoadingMonitoring", componentOf: monitoring, typeDefinition: this.type1014 });
    // Left at the abstract data type that the specification gives; each value says what it is.
    this.shows(loading, "LoadStatus", "UInteger", uint32(1), () => uint32(this.loadStatus ?? (this.occupied ? 2 : 1)));
    this.shows(loading, "IsInLoadingPosition", "Boolean", boolean(true), () => boolean(this.parked));
  }

  calibration(prognoses) {
    const calibration = this.gms.addObject({ browseName: "Calibration", componentOf: prognoses, typeDefinition: this.type1019 });
    this.shows(calibration, "Calibrated", "Boolean", boolean(true), () => boolean(this.calibrated), "propertyOf");
  }

  sensor(tools) {
    const probe = this.own.addObject({ browseName: "Probe", componentOf: tools, typeDefinition: this.type1007 });
    this.shows(probe, "IsQualifiedStatus", this.status, int32(0), () => int32(this.qualified));
  }
}

run({
  name: "gms-station", nodesets: [...RESULT_SET, nodesets.machineTool], namespaces: [GMS, OWN],
  build: (server) => { const station = new GmsStation(server, process.argv[4]); station.build(); return station; },
});
