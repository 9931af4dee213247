// A station on the node-opcua stack behind request bits that it acknowledges or refuses, at the names of the profile pulse-handshake. No open
// model has this; the nodes are all our own. For tests: it plays its part within tenths of seconds.
//
// A request is looked at once, when its bit comes; the answer stands until the bit has gone. It refuses by itself to start while its door is
// not closed, its nest is empty or another program is prepared, and says why.
"use strict";
const path = require("path");
const { VariantArrayType, DataType, nodesets } = require("node-opcua");
const { run } = require("./serving.js");

const OWN = "urn:pointsman:handshake";
const TYPES = "urn:pointsman:sim:vision-station"; // where vision_station.xml has a structure for a measured value
const [IDLE, PREPARED, RUNNING, PART_FREE, FINISHED, ABORTED] = [0, 1, 2, 3, 4, 5];
const AUTOMATIC = 2, FAULT = 3;
const RUN_MS = 300;
const FREE_MS = 200;
const DOOR_MS = 100;
const REQUESTS = ["OpenDoor", "CloseDoor", "Prepare", "Start", "Cancel", "Accept", "Reset"];
const SHOWN = {
  Mode: "Int32", Door: "String", Loaded: "Boolean", Stage: "Int32", RunId: "String", Serial: "String", ProgramName: "String",
  ResultCounter: "UInt32", Message: "String", ResultRunId: "String", ResultSerial: "String",
};
const SET = { CmdProgram: "String", CmdRevision: "String", CmdRunId: "String", CmdSerial: "String" };
const NOTHING = { Boolean: false, Int32: 0, UInt32: 0, String: "" };

class Station {
  constructor(server) {
    this.space = server.engine.addressSpace;
    this.holding = false; // a run does not end by itself
    this.nodes = {};
    this.shown = {};
    this.types = {};
    this.starts = 0;
    this.rows = [];
  }

  build() {
    const own = this.space.getNamespace(OWN);
    const root = own.addObject({ browseName: "Station", organizedBy: this.space.rootFolder.objects });
    const add = (name, dataType, access, extra = {}) => {
      this.nodes[name] = own.addVariable({
        browseName: name, nodeId: `s=${name}`, componentOf: root, dataType, accessLevel: access, userAccessLevel: access, ...extra,
      });
    };
    const write = "CurrentRead | CurrentWrite";
    for (const [name, type] of Object.entries(SHOWN)) { add(name, type, "CurrentRead"); this.show(name, type, NOTHING[type]); }
    for (const [name, type] of Object.entries(SET)) { add(name, type, write); this.show(name, type, NOTHING[type]); }
    for (const name of REQUESTS) {
      add(`Req${name}`, "Boolean", write);
      for (const bit of [`Req${name}`, `Ack${name}`, `Nak${name}`]) {
        if (!this.nodes[bit]) add(bit, "Boolean", "CurrentRead");
        this.show(bit, "Boolean", false);
      }
    }
    this.value = this.space.findDataType("MeasuredValueDataType", this.space.getNamespaceIndex(TYPES));
    add("Results", this.value.nodeId, "CurrentRead", { valueRank: 1 });
    this.results([]);
    Object.assign(this.shown, { Mode: AUTOMATIC, Door: "CLOSED" });
  }

  show(name, type, value) {
    this.types[name] = type;
    this.shown[name] = value;
    this.nodes[name].setValueFromSource({ dataType: DataType[type], value });
  }

  results(rows) {
    const value = rows.map(([number, of, unit]) => this.space.constructExtensionObject(this.value, { number, value: of, unit, quality: 0 }));
    this.nodes.Results.setValueFromSource({ dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value });
  }

  read(name) { return this.nodes[name].readValue().value.value; }

  // switches of the tests
  set occupied(value) { this.shown.Loaded = value; }
  set faulty(value) { this.shown.Mode = value ? FAULT : AUTOMATIC; }

  // Each request: why it is refused ("" = it is not), and what it brings about.
  openDoor() { return this.shown.Stage === RUNNING ? "a program runs" : this.door("OPEN"); }
  closeDoor() { return this.door("CLOSED"); }

  door(wanted) {
    if (this.shown.Door !== wanted) {
      this.shown.Door = "MOVING";
      setTimeout(() => { this.shown.Door = wanted; }, DOOR_MS);
    }
    return "";
  }

  prepare() {
    if (![IDLE, PREPARED].includes(this.shown.Stage)) return "a run is not over";
    Object.assign(this.shown, { ProgramName: this.read("CmdProgram"), Stage: PREPARED });
    return "";
  }

  start() {
    const shown = this.shown;
    if (shown.Door !== "CLOSED") return "the door is not closed";
    if (!shown.Loaded) return "nothing is loaded";
    if (shown.Stage !== PREPARED || shown.ProgramName !== this.read("CmdProgram")) return "the program is not prepared";
    const id = this.read("CmdRunId");
    Object.assign(shown, { RunId: id, Serial: this.read("CmdSerial"), Stage: RUNNING });
    this.starts += 1;
    setTimeout(() => { if (shown.RunId === id && shown.Stage === RUNNING) shown.Stage = PART_FREE; }, FREE_MS);
    setTimeout(() => this.finish(id), RUN_MS);
    return "";
  }

  finish(id) {
    const shown = this.shown;
    if (shown.RunId !== id || ![RUNNING, PART_FREE].includes(shown.Stage) || this.holding) return;
    this.results([["1", 25.0104, "mm"], ["2", 3.1, "um"]]);
    Object.assign(shown, { ResultRunId: id, ResultSerial: shown.Serial, ResultCounter: shown.ResultCounter + 1, Stage: FINISHED });
  }

  cancel() {
    if (this.read("CmdRunId") !== this.shown.RunId || ![RUNNING, PART_FREE].includes(this.shown.Stage)) return "that run is not at work";
    this.shown.Stage = ABORTED;
    return "";
  }

  accept() {
    if (this.read("CmdRunId") !== this.shown.RunId || ![FINISHED, ABORTED].includes(this.shown.Stage)) return "that run has no result";
    this.shown.Stage = IDLE;
    return "";
  }

  reset() {
    this.shown.Mode = AUTOMATIC;
    return "";
  }

  answer(name) {
    const asked = this.read(`Req${name}`), answered = this.shown[`Ack${name}`] || this.shown[`Nak${name}`];
    if (asked && !answered) {
      const why = this[name[0].toLowerCase() + name.slice(1)]();
      Object.assign(this.shown, { Message: why, [`Ack${name}`]: why === "", [`Nak${name}`]: why !== "" });
    } else if (!asked && answered) {
      Object.assign(this.shown, { [`Ack${name}`]: false, [`Nak${name}`]: false });
    }
  }

  cycle() {
    for (const name of REQUESTS) this.answer(name);
    // in reverse: whoever sees `Stage` or an answer may read what it is about
    for (const name of [...Object.keys(SHOWN).reverse(), ...REQUESTS.flatMap((one) => [`Ack${one}`, `Nak${one}`])]) {
      if (this.read(name) !== this.shown[name]) this.nodes[name].setValueFromSource({ dataType: DataType[this.types[name]], value: this.shown[name] });
    }
  }
}

if (require.main === module) {
  run({
    name: "pulse-station", nodesets: [nodesets.standard, path.join(__dirname, "vision_station.xml")], namespaces: [OWN],
    build: (server) => { const station = new Station(server); station.build(); return station; },
  });
}
