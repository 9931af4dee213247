// A unit machine of PackML on the node-opcua stack with the official nodeset (OPC 30050), and a door, a job and a result of our own
// namespace, which the standard does not have. For tests: acting states take hundredths of seconds, a run tenths.
//
// Started with "commands" as third argument its state machines have no methods: it takes the numbers of ISA-TR88.00.02.
// It refuses by itself to start with an open door or an empty nest.
"use strict";
const { Variant, VariantArrayType, DataType, StatusCodes, nodesets, coerceNodeId, coerceLocalizedText } = require("node-opcua");
const { run } = require("./serving.js");

const PACKML = "http://opcfoundation.org/UA/PackML/";
const OWN = "urn:pointsman:sim:packml-station";
const METHODS = [
  "BaseStateMachine.Abort", "BaseStateMachine.Clear", "BaseStateMachine.MachineState.Reset", "BaseStateMachine.MachineState.Stop",
  "BaseStateMachine.MachineState.ExecuteState.Start", "BaseStateMachine.MachineState.ExecuteState.Reset",
];
const COMMANDS = { 1: "Reset", 2: "Start", 3: "Stop", 8: "Abort", 9: "Clear" };
// The objects that stand for the states in the official nodeset.
const STATES = {
  Aborting: 61, Aborted: 62, Cleared: 71, Stopped: 53, Stopping: 54, Clearing: 55, Running: 75, Resetting: 27, Idle: 28, Starting: 29,
  Suspended: 31, Held: 34, Execute: 36, Completing: 37, Complete: 38,
};
const ACTING = { Aborting: "Aborted", Clearing: "Stopped", Stopping: "Stopped", Resetting: "Idle", Starting: "Execute", Completing: "Complete" };
const MACHINE = ["Stopped", "Stopping", "Clearing"];
const ACTING_MS = 40;
const RUN_MS = 300;
const SHOWN = {
  Job: { Run: ["String", () => "", "run"], Serial: ["String", () => "", "serial"] },
  Door: { IsOpen: ["Boolean", () => false, "open"], IsClosed: ["Boolean", () => true, "closed"], IsOccupied: ["Boolean", () => false, "occupied"],
    OpenRequestTaken: ["Boolean", () => false, "wantOpen"] },
};
const ASKED = { Job: { RunRequest: "String", SerialRequest: "String" }, Door: { OpenRequest: "Boolean" } };
const NOTHING = { String: "", Boolean: false, Int32: 0 };

class Station {
  constructor(server, kind) {
    this.space = server.engine.addressSpace;
    this.kind = kind;
    this.state = "Stopped";   // the deepest active one
    this.mode = 1;            // produce
    this.product = 0;
    this.run = ""; this.serial = "";
    this.open = false; this.closed = true; this.wantOpen = false; this.occupied = false;
    this.holding = false;     // a run does not end by itself
    this.starts = this.refusals = 0;
  }

  build() {
    this.pml = this.space.getNamespace(PACKML);
    this.own = this.space.getNamespace(OWN);
    const methods = this.kind === "commands" ? [] : METHODS;
    const unit = this.space.findObjectType("PackMLBaseObjectType", this.pml.index).instantiate({
      browseName: { name: "Station", namespaceIndex: this.own.index }, organizedBy: this.space.rootFolder.objects,
      optionals: ["Status.Product", ...methods],
    });
    const part = (node, ...names) => names.reduce((here, name) => here.getChildByName(name) || here.getMethodByName(name), node);
    this.status = part(unit, "Status");
    this.base = part(unit, "BaseStateMachine");
    this.machine = part(this.base, "MachineState");
    this.execute = part(this.machine, "ExecuteState");
    this.bind(part(unit, "SetProduct"), (inputs) => { this.product = inputs[0].value[0].productID; return true; });
    for (const path of methods) {
      const name = path.split(".").pop();
      this.bind(part(unit, ...path.split(".")), () => this.command(name));
    }
    this.ours(unit);
    if (this.kind === "commands") this.commands(unit);
    this.show();
  }

  bind(method, obeyed) {
    method.bindMethod(async (inputs, _context) => ({ statusCode: obeyed(inputs) ? StatusCodes.Good : StatusCodes.BadInvalidState, outputArguments: [] }));
  }

  add(parent, name, type, value, access = "CurrentRead") {
    const array = type.endsWith("[]");
    const dataType = type.replace("[]", "");
    return this.own.addVariable({
      browseName: name, componentOf: parent, dataType, valueRank: array ? 1 : -1, accessLevel: access, userAccessLevel: access,
      value: { dataType: DataType[dataType], arrayType: array ? VariantArrayType.Array : VariantArrayType.Scalar, value },
    });
  }

  ours(unit) {
    this.watched = []; this.asked = {}; this.folders = {};
    for (const folder of ["Job", "Door", "Result"]) this.folders[folder] = this.own.addObject({ browseName: folder, componentOf: unit });
    for (const [folder, entries] of Object.entries(SHOWN)) {
      for (const [name, [type, first, field]] of Object.entries(entries)) {
        this.watched.push([this.add(this.folders[folder], name, type, first()), type, field]);
      }
    }
    for (const [folder, entries] of Object.entries(ASKED)) {
      for (const [name, type] of Object.entries(entries)) this.asked[name] = this.add(this.folders[folder], name, type, NOTHING[type], "CurrentRead | CurrentWrite");
    }
    const result = (name, type, value) => this.add(this.folders.Result, name, type, value);
    this.result = { Run: result("Run", "String", ""), Serial: result("Serial", "String", ""), Count: result("Count", "Int32", 0),
      Numbers: result("Numbers", "String[]", []), Values: result("Values", "Double[]", []), Units: result("Units", "String[]", []) };
  }

  commands(unit) {
    const folder = this.own.addObject({ browseName: "Command", componentOf: unit });
    this.asked.CntrlCmd = this.add(folder, "CntrlCmd", "Int32", 0, "CurrentRead | CurrentWrite");
    this.asked.CmdChangeRequest = this.add(folder, "CmdChangeRequest", "Boolean", false, "CurrentRead | CurrentWrite");
  }

  value(name) { return this.asked[name].readValue().value.value; }

  // --- states -----------------------------------------------------------------------------------------------------------

  command(name) {
    const from = {
      Reset: ["Stopped", "Complete"], Start: ["Idle"], Clear: ["Aborted"], Abort: Object.keys(STATES).filter((one) => !one.startsWith("Abort")),
      Stop: Object.keys(STATES).filter((one) => !MACHINE.includes(one) && !one.startsWith("Abort")),
    }[name];
    if (!from.includes(this.state)) return false;
    if (name === "Start" && (!this.closed || !this.occupied)) { this.refusals += 1; return false; }
    if (name === "Start") { this.starts += 1; this.run = this.value("RunRequest"); this.serial = this.value("SerialRequest"); }
    if (name === "Reset") this.run = this.serial = "";
    this.go({ Reset: "Resetting", Start: "Starting", Clear: "Clearing", Abort: "Aborting", Stop: "Stopping" }[name]);
    return true;
  }

  go(state) {
    this.state = state;
    if (state === "Complete") this.finish();
    this.show();
    if (ACTING[state]) setTimeout(() => { if (this.state === state) this.go(ACTING[state]); }, ACTING_MS);
    if (state === "Execute") setTimeout(() => { if (this.state === "Execute" && !this.holding) this.go("Completing"); }, RUN_MS);
  }

  set faulty(value) { if (value) this.command("Abort"); }
  set stands(state) { this.go(state); } // as a person at the machine has it

  finish() {
    const put = (name, dataType, value, arrayType = VariantArrayType.Scalar) => this.result[name].setValueFromSource({ dataType: DataType[dataType], arrayType, value });
    put("Run", "String", this.run); put("Serial", "String", this.serial); put("Count", "Int32", 2);
    put("Numbers", "String", ["1", "2"], VariantArrayType.Array);
    put("Values", "Double", [25.0104, 3.1], VariantArrayType.Array);
    put("Units", "String", ["mm", "um"], VariantArrayType.Array);
  }

  // An inner machine has no state while the outer one is in another than the one that holds it (OPC 10000-16).
  show() {
    const outer = this.state.startsWith("Abort") ? this.state : "Cleared";
    const middle = outer !== "Cleared" ? null : MACHINE.includes(this.state) ? this.state : "Running";
    const inner = middle === "Running" ? this.state : null;
    for (const [machine, state] of [[this.base, outer], [this.machine, middle], [this.execute, inner]]) {
      const shown = machine.getChildByName("CurrentState");
      const status = state ? StatusCodes.Good : StatusCodes.BadStateNotActive;
      shown.setValueFromSource({ dataType: DataType.LocalizedText, value: coerceLocalizedText(state || "") }, status);
      const id = state ? coerceNodeId(`ns=${this.pml.index};i=${STATES[state]}`) : coerceNodeId("i=0");
      shown.getChildByName("Id").setValueFromSource({ dataType: DataType.NodeId, value: id }, status);
    }
  }

  cycle() {
    const asked = this.value("OpenRequest");
    if (asked !== this.wantOpen && !["Starting", "Execute"].includes(this.state)) {
      this.wantOpen = asked; this.open = this.closed = false;
      setTimeout(() => { this.open = asked; this.closed = !asked; }, 100);
    }
    if (this.kind === "commands") {
      const meant = this.value("CmdChangeRequest");
      if (meant && !this.wasMeant) this.command(COMMANDS[this.value("CntrlCmd")]);
      this.wasMeant = meant;
    }
    for (const [variable, type, field] of this.watched) {
      if (variable.readValue().value.value !== this[field]) variable.setValueFromSource({ dataType: DataType[type], value: this[field] });
    }
    const mode = this.status.getChildByName("UnitModeCurrent");
    if (mode.readValue().value.value !== this.mode) mode.setValueFromSource({ dataType: DataType.Int32, value: this.mode });
    if (this.product !== this.shownProduct) this.showProduct();
  }

  showProduct() {
    this.shownProduct = this.product;
    const type = this.space.findDataType("PackMLProductDataType", this.pml.index);
    const value = [this.space.constructExtensionObject(type, { productID: this.product })];
    this.status.getChildByName("Product").setValueFromSource({ dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value });
  }
}

run({
  name: "packml-station", nodesets: [nodesets.standard, nodesets.packML], namespaces: [OWN],
  build: (server) => { const station = new Station(server, process.argv[4]); station.build(); return station; },
});
