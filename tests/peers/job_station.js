// A measuring station on the node-opcua stack with the official nodesets of ISA-95 job control (OPC 10031-4) and machinery jobs
// (OPC 40001-3), and a door of our own namespace, which none of them has. For tests: it plays its part within tenths of seconds.
// What a test says to it, serving.js takes.
"use strict";
const path = require("path");
const { Variant, VariantArrayType, DataType, StatusCodes, nodesets, coerceLocalizedText } = require("node-opcua");
const { run } = require("./serving.js");

const JOBS = "http://opcfoundation.org/UA/Machinery/Jobs/";
const CONTROL = "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/";
const MACHINERY = "http://opcfoundation.org/UA/Machinery/";
const OWN = "urn:pointsman:sim:job-station";
const OK = 1n;            // bit 0 of ReturnStatus: no error (OPC 10031-4, table of B.2)
const UNKNOWN_JOB = 2n;   // bit 1: unknown job order id
const BAD_STATUS = 8n;    // bit 3: invalid job order status
const STATES = ["", "NotAllowedToStart", "AllowedToStart", "Running", "Interrupted", "Ended", "Aborted"];
const RUN_MS = 300;

const u64 = (value) => new Variant({
  dataType: DataType.UInt64, arrayType: VariantArrayType.Scalar, value: [0, Number(value)],
});

class Station {
  constructor(server) {
    this.space = server.engine.addressSpace;
    this.jobs = [];        // {order, state, ended}
    this.open = false; this.closed = true; this.wantOpen = false; this.tookOpen = false; this.occupied = false;
    this.faulty = false;
    this.holding = false;  // jobs do not end by themselves
  }

  type(name) { return this.space.findDataType(name, this.control.index); }

  // Where the machine stands, and in which namespace; other stations have it elsewhere.
  machine() {
    this.own = this.space.getNamespace(OWN);
    return this.own.addObject({ browseName: "Station", organizedBy: this.space.rootFolder.objects });
  }

  build() {
    const space = this.space;
    this.control = space.getNamespace(CONTROL);
    const jobs = space.getNamespace(JOBS);
    const machinery = space.getNamespace(MACHINERY);
    const machine = this.machine();
    const own = this.own;
    const blocks = this.blocks = machinery.addObject({ browseName: "MachineryBuildingBlocks", componentOf: machine });
    const management = jobs.addObject({
      browseName: "JobManagement", componentOf: blocks, typeDefinition: space.findObjectType("JobManagementType", jobs.index),
    });
    this.receiver = this.instance("ISA95JobOrderReceiverObjectType", "JobOrderControl", jobs, management,
      ["StoreAndStart", "Store", "Start", "Abort", "Clear"]);
    this.provider = this.instance("ISA95JobResponseProviderObjectType", "JobOrderResults", jobs, management,
      ["JobOrderResponseList"]);
    this.list = this.receiver.getComponentByName("JobOrderList");
    this.bind(this.receiver, "StoreAndStart", (inputs) => this.start(inputs[0].value));
    this.bind(this.receiver, "Store", (inputs) => this.store(inputs[0].value));
    this.bind(this.receiver, "Start", (inputs) => this.allow(inputs[0].value));
    this.bind(this.receiver, "Abort", (inputs) => this.end(inputs[0].value, 6));
    this.bind(this.receiver, "Clear", (inputs) => this.clear(inputs[0].value));
    this.bind(this.provider, "RequestJobResponseByJobOrderID", (inputs) => this.response(inputs[0].value));
    this.states(machinery, blocks);
    this.doors(own, machine);
    this.show();
  }

  instance(type, browseName, namespace, parent, optionals) {
    const made = this.space.findObjectType(type, this.control.index).instantiate({
      browseName: { name: browseName, namespaceIndex: namespace.index }, componentOf: parent, optionals,
    });
    return made;
  }

  bind(object, name, answer) {
    const method = object.getMethodByName(name);
    if (!method) throw new Error(`no method ${name}`);
    method.bindMethod(async (inputs, _context) => ({ statusCode: StatusCodes.Good, outputArguments: answer(inputs) }));
  }

  states(machinery, blocks) {
    for (const [name, type, state] of [
      ["MachineryItemState", "MachineryItemState_StateMachineType", () => (this.faulty ? 1 : 2)],
      ["MachineryOperationMode", "MachineryOperationModeStateMachineType", () => 3],
    ]) {
      const machine = this.space.findObjectType(type, machinery.index).instantiate({
        browseName: { name, namespaceIndex: machinery.index }, componentOf: blocks, optionals: ["CurrentState.Number"],
      });
      const number = machine.getComponentByName("CurrentState").getPropertyByName("Number");
      if (!number) throw new Error(`${name} has no CurrentState.Number`);
      this.live(number, () => new Variant({ dataType: DataType.UInt32, value: state() }));
    }
  }

  live(variable, get) {
    this.watched = this.watched || [];
    this.watched.push([variable, get]);
  }

  doors(own, machine) {
    const door = own.addObject({ browseName: "Door", componentOf: machine });
    const add = (name, get) => {
      const variable = own.addVariable({
        browseName: name, nodeId: `s=${name}`, componentOf: door, dataType: "Boolean", value: { dataType: DataType.Boolean, value: get() },
      });
      this.live(variable, () => new Variant({ dataType: DataType.Boolean, value: get() }));
      return variable;
    };
    add("IsOpen", () => this.open);
    add("IsClosed", () => this.closed);
    add("IsOccupied", () => this.occupied);
    add("OpenRequestTaken", () => this.tookOpen);
    this.request = own.addVariable({
      browseName: "OpenRequest", nodeId: "s=OpenRequest", componentOf: door, dataType: "Boolean", accessLevel: "CurrentRead | CurrentWrite",
      userAccessLevel: "CurrentRead | CurrentWrite", value: { dataType: DataType.Boolean, value: false },
    });
  }

  // --- jobs --------------------------------------------------------------------------------------------------------------

  find(id) { return this.jobs.find((job) => job.order.jobOrderID === id); }

  start(order) {
    if (this.find(order.jobOrderID) || !this.closed || !this.occupied) return [u64(BAD_STATUS)];
    this.store(order);
    return this.allow(order.jobOrderID);
  }

  store(order) {
    if (this.find(order.jobOrderID)) return [u64(BAD_STATUS)];
    this.jobs.push({ order, state: 1 });
    this.show();
    return [u64(OK)];
  }

  // "Start" allows a job to start; this station does so at once, and takes no other while its door is open or its nest empty.
  allow(id) {
    const job = this.find(id);
    if (!job) return [u64(UNKNOWN_JOB)];
    if (job.state !== 1 || !this.closed || !this.occupied) return [u64(BAD_STATUS)];
    Object.assign(job, { state: 2, began: new Date() });
    this.starts = (this.starts || 0) + 1;
    setTimeout(() => { if (job.state === 2) { job.state = 3; this.show(); } }, RUN_MS / 3);
    setTimeout(() => { if (job.state === 3 && !this.holding) { job.state = 5; job.ended = new Date(); this.finished(job); this.show(); } }, RUN_MS);
    this.show();
    return [u64(OK)];
  }

  // A job has ended with a result; stations that keep results take note here.
  finished(_job) { }

  end(id, state) {
    const job = this.find(id);
    if (!job) return [u64(UNKNOWN_JOB)];
    if (job.state > 4) return [u64(BAD_STATUS)];
    job.state = state;
    this.show();
    return [u64(OK)];
  }

  clear(id) {
    const job = this.find(id);
    if (!job) return [u64(UNKNOWN_JOB)];
    if (job.state < 5) return [u64(BAD_STATUS)];
    this.jobs = this.jobs.filter((one) => one !== job);
    this.show();
    return [u64(OK)];
  }

  state(number) {
    return this.space.constructExtensionObject(this.type("ISA95StateDataType"), {
      browsePath: { elements: [] }, stateText: coerceLocalizedText(STATES[number]), stateNumber: number,
    });
  }

  response(id) {
    const job = this.find(id);
    const done = job && job.state === 5;
    const made = this.space.constructExtensionObject(this.type("ISA95JobResponseDataType"), {
      jobResponseID: done ? `response ${id}` : "", jobOrderID: id, jobState: job ? [this.state(job.state)] : [],
      ...(done ? { startTime: job.began, endTime: job.ended, jobResponseData: this.values(job.order) } : {}),
    });
    return [new Variant({ dataType: DataType.ExtensionObject, value: made }), u64(job ? OK : UNKNOWN_JOB)];
  }

  values(order) {
    const unit = { namespaceUri: "http://www.opcfoundation.org/UA/units/un/cefact", unitId: 5066068, displayName: "mm", description: "millimetre" };
    const parameter = (fields) => this.space.constructExtensionObject(this.type("ISA95ParameterDataType"), fields);
    const one = (id, value) => parameter({ ID: id, value: new Variant({ dataType: DataType.Double, value }), engineeringUnits: unit });
    return [one("1", 25.0104), one("2", 0.0031)];
  }

  show() {
    const pair = this.type("ISA95JobOrderAndStateDataType");
    const value = this.jobs.map((job) => this.space.constructExtensionObject(pair, { jobOrder: job.order, state: [this.state(job.state)] }));
    this.list.setValueFromSource({ dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value });
  }

  cycle() {
    const asked = this.request.readValue().value.value;
    if (asked !== this.wantOpen) {
      this.wantOpen = asked;
      this.open = this.closed = false;
      setTimeout(() => { this.open = asked; this.closed = !asked; }, 100);
    }
    this.tookOpen = this.wantOpen;
    for (const [variable, get] of this.watched) {
      const next = get();
      const now = variable.readValue().value;
      if (now.value !== next.value) variable.setValueFromSource(next);
    }
  }
}

const SET = [nodesets.standard, nodesets.di, nodesets.ia, nodesets.machinery, nodesets.isa95JobControl, nodesets.machineryJobs];

module.exports = { Station, SET, JOBS, CONTROL, MACHINERY, OWN };

if (require.main === module) {
  // "shifted": another model is loaded before these, so that their namespaces have other indices here
  const [standard, ...models] = SET;
  const shifted = [standard, path.join(__dirname, "vision_station.xml"), ...models];
  run({
    name: "job-station", nodesets: process.argv[4] === "shifted" ? shifted : SET, namespaces: [OWN],
    build: (server) => { const station = new Station(server); station.build(); return station; },
  });
}
