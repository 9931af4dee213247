// A robot on the node-opcua stack with the official nodeset of OPC 40010-1 (1.02), and transfer orders and a gripper of our own namespace,
// which the standard does not have. For tests: a transfer takes tenths of seconds.
//
// It takes a number over only while its system stands ready or executes, in automatic and without a stop, and never the same one twice.
"use strict";
const { DataType, nodesets, coerceNodeId, coerceLocalizedText } = require("node-opcua");
const { run } = require("./serving.js");

const ROBOTICS = "http://opcfoundation.org/UA/Robotics/";
const OWN = "urn:pointsman:site:robot";
const STATES = { Idle: 5030, Ready: 5031, Executing: 5032 }; // objects of SystemOperationStateMachineType in the official nodeset
const TRANSFER_MS = 200;
const PLACES = ["slot-1", "slot-2", "touch-1"];
const SHOWN = {
  RequestTaken: ["UInt32", "taken"], Phase: ["Int32", "phase"], Text: ["String", "text"], Inside: ["String", "inside"], At: ["String", "at"],
};
const ASKED = { Action: ["String", ""], Place: ["String", ""], PickJaw: ["Byte", 0], PutJaw: ["Byte", 0], Request: ["UInt32", 0] };

class Robot {
  constructor(server) {
    this.space = server.engine.addressSpace;
    this.operational = 3;      // automatic
    this.emergency = false; this.protective = false;
    this.state = "Ready";
    this.taken = 0; this.phase = 0; this.text = ""; this.inside = ""; this.at = "";
    this.jaws = [false, false];
    this.carried = [];         // what was carried out, in order
    this.deaf = false;         // it takes nothing over
  }

  set jaw1(value) { this.jaws[0] = value; }

  set jaw2(value) { this.jaws[1] = value; }

  build() {
    const space = this.space;
    this.rob = space.getNamespace(ROBOTICS);
    this.own = space.getNamespace(OWN);
    const named = (name) => ({ name, namespaceIndex: this.own.index });
    const of = (type) => space.findObjectType(type, this.rob.index);
    const devices = space.rootFolder.objects.getFolderElementByName("DeviceSet") || space.rootFolder.objects.getComponentByName("DeviceSet");
    const system = of("MotionDeviceSystemType").instantiate({ browseName: named("Robot"), componentOf: devices });
    const controller = of("ControllerType").instantiate({
      browseName: named("Controller"), componentOf: system.getComponentByName("Controllers"), optionals: ["SystemOperation"],
    });
    const safety = of("SafetyStateType").instantiate({ browseName: named("Safety"), componentOf: system.getComponentByName("SafetyStates") });
    this.machine = controller.getChildByName("SystemOperation").getChildByName("SystemOperationStateMachine");
    const parameters = safety.getChildByName("ParameterSet");
    this.watched = [
      [parameters.getChildByName("OperationalMode"), "Int32", () => this.operational],
      [parameters.getChildByName("EmergencyStop"), "Boolean", () => this.emergency],
      [parameters.getChildByName("ProtectiveStop"), "Boolean", () => this.protective],
    ];
    this.ours(system);
    this.cycle();
  }

  add(parent, name, dataType, value, access = "CurrentRead") {
    return this.own.addVariable({
      browseName: name, componentOf: parent, dataType, accessLevel: access, userAccessLevel: access, value: { dataType: DataType[dataType], value },
    });
  }

  ours(system) {
    const transfer = this.own.addObject({ browseName: "Transfer", componentOf: system });
    const gripper = this.own.addObject({ browseName: "Gripper", componentOf: system });
    for (const [name, [type, field]] of Object.entries(SHOWN)) this.watched.push([this.add(transfer, name, type, this[field]), type, () => this[field]]);
    for (const jaw of [0, 1]) this.watched.push([this.add(gripper, `Jaw${jaw + 1}`, "Boolean", false), "Boolean", () => this.jaws[jaw]]);
    this.asked = {};
    for (const [name, [type, first]] of Object.entries(ASKED)) this.asked[name] = this.add(transfer, name, type, first, "CurrentRead | CurrentWrite");
  }

  value(name) { return this.asked[name].readValue().value.value; }

  ready() { return this.operational >= 3 && !this.emergency && !this.protective && this.state !== "Idle" && !this.deaf; }

  take() {
    const request = this.value("Request");
    if (request === 0 || request === this.taken || !this.ready() || this.phase === 2) return;
    const order = { request, action: this.value("Action"), place: this.value("Place"), pick: this.value("PickJaw"), put: this.value("PutJaw") };
    Object.assign(this, { taken: request, phase: 2, text: "", inside: order.place });
    this.carried.push(order);
    setTimeout(() => this.arrive(order), TRANSFER_MS);
  }

  arrive(order) {
    const known = PLACES.includes(order.place);
    if (known && order.pick) this.jaws[order.pick - 1] = true;
    if (known && order.put) this.jaws[order.put - 1] = false;
    Object.assign(this, { phase: known ? 3 : 4, text: known ? "" : `no place ${order.place}`, inside: "", at: known ? order.place : this.at });
  }

  cycle() {
    this.take();
    if (this.state !== this.shownState) {
      this.shownState = this.state;
      const current = this.machine.getChildByName("CurrentState");
      current.setValueFromSource({ dataType: DataType.LocalizedText, value: coerceLocalizedText(this.state) });
      current.getChildByName("Id").setValueFromSource({ dataType: DataType.NodeId, value: coerceNodeId(`ns=${this.rob.index};i=${STATES[this.state]}`) });
    }
    for (const [variable, type, get] of this.watched) {
      const value = get();
      if (variable.readValue().value.value !== value) variable.setValueFromSource({ dataType: DataType[type], value });
    }
  }
}

run({
  name: "robot-station", nodesets: [nodesets.standard, nodesets.di, nodesets.ia, nodesets.robotics], namespaces: [OWN],
  build: (server) => { const robot = new Robot(server); robot.build(); return robot; },
});
