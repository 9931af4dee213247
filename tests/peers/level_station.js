// A station on the node-opcua stack behind signals that stand and requests that are echoed, at the names of the profile level-handshake.
// No open model has this; the nodes are all our own. For tests: it plays its part within tenths of seconds.
//
// It refuses by itself to start while its door is open or its nest is empty: then the request is not echoed.
"use strict";
const { Variant, VariantArrayType, DataType, nodesets } = require("node-opcua");
const { run } = require("./serving.js");

const OWN = "urn:pointsman:handshake";
const CYCLE_BEATS = 10; // it turns its sign of life over every so many cycles of 20 ms
const RUN_MS = 300;
const FREE_MS = 200;
const SHOWN = {
  Alive: "Boolean", Automatic: "Boolean", Fault: "Boolean", DoorIsOpen: "Boolean", DoorIsClosed: "Boolean", NestIsOccupied: "Boolean",
  MeasuringReleased: "Boolean", Prepared: "Boolean", Running: "Boolean", PartFree: "Boolean", Finished: "Boolean", Aborted: "Boolean",
  OpenRequestEcho: "Boolean", ProgramRequestEcho: "Int32", SerialRequestEcho: "String", RunRequestEcho: "UInt32", AbortRequestEcho: "UInt32",
  ResultTakenEcho: "UInt32", ResultRun: "UInt32", ResultSerial: "String", ResultCount: "Int32", ResultNumbers: "String[]",
  ResultValues: "Double[]", ResultUnits: "String[]",
};
const REQUESTS = {
  OpenRequest: "Boolean", ProgramRequest: "Int32", SerialRequest: "String", RunRequest: "UInt32", AbortRequest: "UInt32",
  ResultTaken: "UInt32", ClearRequest: "Boolean",
};
const NOTHING = { Boolean: false, Int32: 0, UInt32: 0, String: "" };

class Station {
  constructor(server, leaves) {
    this.space = server.engine.addressSpace;
    this.leaves = leaves; // nodes that this station has not
    this.cycles = 0;
    this.dead = false;    // its controller stands still, its server answers
    this.holding = false; // a run does not end by itself
    this.nodes = {};
    this.shown = {};
    for (const [name, type] of Object.entries(SHOWN)) this.shown[name] = type.endsWith("[]") ? [] : NOTHING[type];
    Object.assign(this.shown, { Automatic: true, DoorIsClosed: true, MeasuringReleased: true });
  }

  build() {
    const own = this.space.getNamespace(OWN);
    const root = own.addObject({ browseName: "Station", organizedBy: this.space.rootFolder.objects });
    for (const [name, type] of Object.entries({ ...SHOWN, ...REQUESTS })) {
      if (this.leaves.includes(name)) continue;
      const access = name in REQUESTS ? "CurrentRead | CurrentWrite" : "CurrentRead";
      this.nodes[name] = own.addVariable({
        browseName: name, nodeId: `s=${name}`, componentOf: root, dataType: type.replace("[]", ""), valueRank: type.endsWith("[]") ? 1 : -1,
        accessLevel: access, userAccessLevel: access,
      });
      this.put(name, name in SHOWN ? this.shown[name] : NOTHING[type]);
    }
  }

  put(name, value) {
    if (!this.nodes[name]) return;
    const type = SHOWN[name] || REQUESTS[name];
    const arrayType = type.endsWith("[]") ? VariantArrayType.Array : VariantArrayType.Scalar;
    this.nodes[name].setValueFromSource({ dataType: DataType[type.replace("[]", "")], arrayType, value });
  }

  asked(name) { return this.nodes[name] ? this.nodes[name].readValue().value.value : NOTHING[REQUESTS[name]]; }

  // switches of the tests
  set occupied(value) { this.shown.NestIsOccupied = value; }
  set faulty(value) { this.shown.Fault = value; }
  set released(value) { this.shown.MeasuringReleased = value; }

  door() {
    const wanted = this.asked("OpenRequest");
    if (wanted === this.shown.OpenRequestEcho) return;
    if (wanted && this.shown.Running) return;
    Object.assign(this.shown, { OpenRequestEcho: wanted, DoorIsOpen: false, DoorIsClosed: false });
    setTimeout(() => Object.assign(this.shown, { DoorIsOpen: wanted, DoorIsClosed: !wanted }), 100);
  }

  start() {
    const asked = this.asked("RunRequest"), shown = this.shown;
    if (asked === 0 || asked === shown.RunRequestEcho || shown.Running || shown.Finished || shown.Aborted) return;
    if (!shown.DoorIsClosed || !shown.NestIsOccupied || !shown.Prepared) return;
    Object.assign(shown, { RunRequestEcho: asked, SerialRequestEcho: this.asked("SerialRequest"), Running: true });
    setTimeout(() => { if (shown.Running) shown.PartFree = true; }, FREE_MS);
    setTimeout(() => this.finish(asked), RUN_MS);
  }

  finish(number) {
    if (!this.shown.Running || this.shown.RunRequestEcho !== number || this.holding) return;
    Object.assign(this.shown, {
      ResultRun: number, ResultSerial: this.shown.SerialRequestEcho, ResultCount: 2, ResultNumbers: ["1", "2"], ResultValues: [25.0104, 3.1],
      ResultUnits: ["mm", "um"], Running: false, PartFree: false, Finished: true,
    });
  }

  end() {
    const asked = this.asked("AbortRequest"), shown = this.shown;
    if (asked === 0 || asked === shown.AbortRequestEcho || asked !== shown.RunRequestEcho || !shown.Running) return;
    Object.assign(shown, { AbortRequestEcho: asked, Running: false, PartFree: false, Aborted: true });
  }

  forget() {
    const asked = this.asked("ResultTaken"), shown = this.shown;
    if (asked === 0 || asked === shown.ResultTakenEcho || asked !== shown.RunRequestEcho) return;
    Object.assign(shown, { ResultTakenEcho: asked, Finished: false, Aborted: false });
  }

  cycle() {
    if (this.dead) return;
    this.cycles += 1;
    if (this.cycles % CYCLE_BEATS === 0) this.shown.Alive = !this.shown.Alive;
    this.door();
    if (this.asked("ProgramRequest") !== this.shown.ProgramRequestEcho) {
      Object.assign(this.shown, { ProgramRequestEcho: this.asked("ProgramRequest"), Prepared: this.asked("ProgramRequest") > 0 });
    }
    this.start();
    this.end();
    this.forget();
    if (this.asked("ClearRequest")) this.shown.Fault = false;
    // results first: whoever sees `Finished` may read them
    for (const name of Object.keys(SHOWN).reverse()) {
      if (!this.nodes[name]) continue;
      const now = this.nodes[name].readValue().value.value;
      if (JSON.stringify(now) !== JSON.stringify(this.shown[name])) this.put(name, this.shown[name]);
    }
  }
}

module.exports = { Station, OWN };

if (require.main === module) {
  run({
    name: "level-station", nodesets: [nodesets.standard], namespaces: [OWN],
    build: (server) => { const station = new Station(server, []); station.build(); return station; },
  });
}
