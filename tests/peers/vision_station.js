// An optical station on the node-opcua stack with the official nodeset of machine vision (OPC 40100-1), and a door and a structure for
// measured values of our own namespace (vision_station.xml), which the standard does not have. For tests: a job takes tenths of seconds.
//
// It keeps to the standard where that is inconvenient: nothing of a job stands in a variable, a start has no key of its own (a second
// call is a second job), results are never acknowledged, and acquisition, readiness and result come at times of their own.
"use strict";
const path = require("path");
const { Variant, VariantArrayType, DataType, StatusCodes, nodesets, coerceNodeId } = require("node-opcua");
const { run } = require("./serving.js");

const VISION = "http://opcfoundation.org/UA/MachineVision";
const OWN = "urn:pointsman:sim:vision-station";
const OK = 0, WRONG_STATE = -1, UNKNOWN_RECIPE = -2, NOT_READY = -3, UNKNOWN_RESULT = -4;
const COMPLETED = 1, PROCESSING = 2, ABORTED = 3; // ResultStateDataType (OPC 40100-1, 12.19)
const JOB_MS = 600;
const RECIPES = ["P-17", "P-18"];

const number = (dataType) => (value) => new Variant({ dataType, value });
const int32 = number(DataType.Int32);
const uint32 = number(DataType.UInt32);
const boolean = number(DataType.Boolean);
const object = (value) => new Variant({ dataType: DataType.ExtensionObject, value });
const objects = (value) => new Variant({ dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value });

class Station {
  constructor(server) {
    this.space = server.engine.addressSpace;
    this.server = this.space.rootFolder.objects.server;
    this.mode = "Operational"; this.automatic = "Initialized"; this.shown = {};
    this.recipe = null; this.jobs = []; this.starts = 0;
    this.open = false; this.closed = true; this.wantOpen = false; this.tookOpen = false; this.occupied = false;
    this.byItself = false; // after a reset it goes into automatic without being told
    this.faulty = false;   // a fault that only Reset and SelectModeAutomatic clear once it is switched off
    this.holding = false;  // jobs do not end by themselves
    this.slowly = false;   // a recipe takes its time, so that IsCompleted is false
    this.silent = false;   // acquisition is not told, as the standard allows
    this.simulated = false; // in simulation mode: results are marked as such
    this.watched = [];
  }

  type(name) { return this.space.findDataType(name, this.vision.index); }
  make(name, fields) { return this.space.constructExtensionObject(this.type(name), fields); }

  build() {
    this.vision = this.space.getNamespace(VISION);
    const own = this.own = this.space.getNamespace(OWN);
    const system = this.space.findObjectType("VisionSystemType", this.vision.index).instantiate({
      browseName: { name: "Camera", namespaceIndex: own.index }, organizedBy: this.space.rootFolder.objects,
      optionals: ["RecipeManagement", "ResultManagement", "VisionStateMachine.AutomaticModeStateMachine", "VisionStateMachine.SelectModeAutomatic"],
    });
    const machine = this.machine = system.getComponentByName("VisionStateMachine");
    const job = this.jobMachine = machine.getComponentByName("AutomaticModeStateMachine");
    const recipes = system.getComponentByName("RecipeManagement");
    const results = system.getComponentByName("ResultManagement");
    this.bind(machine, "Reset", () => this.reset());
    this.bind(machine, "SelectModeAutomatic", () => this.selectAutomatic());
    this.bind(job, "StartSingleJob", (inputs) => this.start(...inputs.map((one) => one.value)));
    this.bind(job, "Abort", () => this.abort());
    this.bind(recipes, "PrepareRecipe", (inputs) => this.prepare(inputs[0].value.id));
    this.bind(recipes, "GetRecipeListFiltered", () => this.recipeList());
    this.bind(results, "GetResultById", (inputs) => this.resultById(inputs[0].value.id));
    this.bind(results, "GetResultListFiltered", (inputs) => this.resultList(inputs[0].value, inputs[1].value));
    this.doors(own, system);
    this.show();
  }

  bind(object, name, answer) {
    const method = object.getMethodByName(name);
    if (!method) throw new Error(`no method ${name}`);
    method.bindMethod(async (inputs, _context) => ({ statusCode: StatusCodes.Good, outputArguments: answer(inputs) }));
  }

  doors(own, machine) {
    const door = own.addObject({ browseName: "Door", componentOf: machine });
    const add = (name, get) => {
      const variable = own.addVariable({
        browseName: name, nodeId: `s=${name}`, componentOf: door, dataType: "Boolean", value: { dataType: DataType.Boolean, value: get() },
      });
      this.watched.push([variable, () => boolean(get())]);
    };
    add("IsOpen", () => this.open);
    add("IsClosed", () => this.closed);
    add("IsOccupied", () => this.occupied);
    add("OpenRequestTaken", () => this.tookOpen);
    this.request = own.addVariable({
      browseName: "OpenRequest", nodeId: "s=OpenRequest", componentOf: door, dataType: "Boolean", accessLevel: "CurrentRead | CurrentWrite",
      userAccessLevel: "CurrentRead | CurrentWrite", value: { dataType: DataType.Boolean, value: false },
    });
    const starts = own.addVariable({ browseName: "Starts", nodeId: "s=Starts", componentOf: machine, dataType: "UInt32", value: uint32(0) });
    this.watched.push([starts, () => uint32(this.starts)]);
  }

  // --- states ------------------------------------------------------------------------------------------------------------

  show() {
    this.showState(this.machine, "VisionStateMachineType", this.mode);
    this.showState(this.jobMachine, "VisionAutomaticModeStateMachineType", this.mode === "Operational" ? this.automatic : null);
  }

  showState(machine, type, state) {
    if (this.shown[type] === state) return;
    this.shown[type] = state;
    const current = machine.getComponentByName("CurrentState") || machine.getPropertyByName("CurrentState");
    const id = current.getPropertyByName("Id");
    if (state === null) { // a machine within a state that is not the present one (OPC 10000-16, from memory)
      for (const one of [current, id]) one.setValueFromSource({ dataType: DataType.Null }, StatusCodes.BadStateNotActive);
      return;
    }
    const declared = this.space.findObjectType(type, this.vision.index).getComponentByName(state);
    current.setValueFromSource({ dataType: DataType.LocalizedText, value: { text: state } });
    id.setValueFromSource({ dataType: DataType.NodeId, value: declared.nodeId });
  }

  reset() {
    if (this.faulty) return [int32(WRONG_STATE)];
    this.mode = "Preoperational"; this.recipe = null;
    this.show();
    if (this.byItself) this.selectAutomatic();
    return [int32(OK)];
  }

  selectAutomatic() {
    if (this.mode !== "Preoperational") return [int32(WRONG_STATE)];
    this.mode = "Operational"; this.automatic = "Initialized";
    this.show();
    return [int32(OK)];
  }

  tell(name, fields) {
    const data = { message: { dataType: DataType.LocalizedText, value: { text: name } }, severity: { dataType: DataType.UInt16, value: 100 } };
    this.server.raiseEvent(this.space.findEventType(name, this.vision.index), { ...data, ...fields });
  }

  // As a person at the station has made it ready.
  set ready(recipe) { this.recipe = recipe; this.automatic = "Ready"; this.show(); }

  // --- recipes -----------------------------------------------------------------------------------------------------------

  prepare(id) {
    const inside = this.make("RecipeIdInternalDataType", { id: `inside ${id}` });
    if (this.mode !== "Operational") return [object(inside), boolean(false), int32(WRONG_STATE)];
    if (!RECIPES.includes(id)) return [object(inside), boolean(false), int32(UNKNOWN_RECIPE)];
    const done = () => {
      this.recipe = id; this.automatic = "Ready";
      this.show();
      this.tell("RecipePreparedEventType", { internalId: object(inside), externalId: object(this.make("RecipeIdExternalDataType", { id })) });
    };
    if (this.slowly) setTimeout(done, 150); else done();
    return [object(inside), boolean(!this.slowly), int32(OK)];
  }

  recipeList() {
    const list = this.recipe ? [this.make("RecipeIdInternalDataType", { id: `inside ${this.recipe}` })] : [];
    return [boolean(true), uint32(list.length), uint32(0), objects(list), int32(OK)];
  }

  // --- jobs --------------------------------------------------------------------------------------------------------------

  start(measId, partId, recipeId) {
    const refused = (error) => [object(this.make("JobIdDataType", { id: "" })), int32(error)];
    if (this.mode !== "Operational" || this.automatic !== "Ready") return refused(WRONG_STATE);
    if (recipeId.id && recipeId.id !== this.recipe) return refused(UNKNOWN_RECIPE);
    if (!this.closed || !this.occupied) return refused(NOT_READY);
    this.starts += 1;
    const job = { id: `J${this.starts}`, measId, partId, recipe: this.recipe, state: PROCESSING, began: new Date() };
    this.jobs.push(job);
    this.automatic = "SingleExecution";
    this.show();
    this.tell("JobStartedEventType", { jobId: this.jobId(job) });
    setTimeout(() => this.acquired(job), JOB_MS / 3);
    return [object(this.make("JobIdDataType", { id: job.id })), int32(OK)];
  }

  jobId(job) { return object(this.make("JobIdDataType", { id: job.id })); }

  acquired(job) {
    if (job.state !== PROCESSING) return;
    if (!this.silent) this.tell("AcquisitionDoneEventType", { jobId: this.jobId(job) });
    setTimeout(() => { if (job.state === PROCESSING && this.mode === "Operational") { this.automatic = "Ready"; this.show(); } }, JOB_MS / 6);
    setTimeout(() => this.finish(job), JOB_MS / 2);
  }

  finish(job) {
    if (job.state !== PROCESSING) return;
    if (this.holding) { setTimeout(() => this.finish(job), 50); return; }
    this.end(job, COMPLETED);
  }

  end(job, state) {
    job.state = state; job.ended = new Date();
    if (this.mode === "Operational") { this.automatic = "Ready"; this.show(); }
    const result = this.result(job);
    const fields = Object.fromEntries([
      ["creationTime", { dataType: DataType.DateTime, value: job.began }], ["isPartial", boolean(false)], ["isSimulated", boolean(this.simulated)],
      ["resultState", int32(state)], ["resultContent", objects(this.content(job))],
      ...["resultId", "measId", "partId", "externalRecipeId", "internalRecipeId", "internalConfigurationId", "jobId"].map((name) => [name, object(result[name])]),
    ]);
    this.tell("ResultReadyEventType", fields);
  }

  abort() {
    const job = this.jobs[this.jobs.length - 1];
    if (!job || job.state !== PROCESSING) return [int32(WRONG_STATE)];
    this.end(job, ABORTED);
    return [int32(OK)];
  }

  // --- results -----------------------------------------------------------------------------------------------------------

  content(job) {
    if (job.state !== COMPLETED) return [];
    const row = (no, value) => this.space.constructExtensionObject(
      this.space.findDataType("MeasuredValueDataType", this.own.index), { number: no, value, unit: "mm", quality: 0 });
    return [row("1", 25.0104), row("2", 0.0031)];
  }

  result(job) {
    const id = (kind, value) => this.make(kind, { id: value });
    return this.make("ResultDataType", {
      resultId: id("ResultIdDataType", `result of ${job.id}`), isPartial: false, isSimulated: this.simulated, resultState: job.state,
      measId: job.measId, partId: job.partId, externalRecipeId: id("RecipeIdExternalDataType", job.recipe),
      internalRecipeId: id("RecipeIdInternalDataType", `inside ${job.recipe}`), internalConfigurationId: id("ConfigurationIdDataType", "as delivered"),
      jobId: id("JobIdDataType", job.id), creationTime: job.began, resultContent: this.content(job).map((value) => object(value)),
    });
  }

  resultById(id) {
    const job = this.jobs.find((one) => `result of ${one.id}` === id && one.state !== PROCESSING);
    if (!job) return [uint32(0), object(this.result({ id: "", measId: {}, partId: {}, recipe: "", state: 0, began: new Date(0) })), int32(UNKNOWN_RESULT)];
    return [uint32(0), object(this.result(job)), int32(OK)];
  }

  resultList(state, measId) { // the newest first: the standard leaves the order open
    const wanted = this.jobs.filter((job) => (!state || job.state === state) && (!measId || !measId.id || job.measId.id === measId.id));
    const list = [...wanted].reverse().map((job) => this.result(job));
    return [boolean(true), uint32(list.length), uint32(0), objects(list), int32(OK)];
  }

  // --- the cycle ---------------------------------------------------------------------------------------------------------

  cycle() {
    if (this.faulty && this.mode !== "Error") {
      this.mode = "Error";
      for (const job of this.jobs) if (job.state === PROCESSING) job.state = ABORTED; // and nothing is told of it
      this.show();
    }
    const asked = this.request.readValue().value.value;
    if (asked !== this.wantOpen) {
      this.wantOpen = asked;
      this.open = this.closed = false;
      setTimeout(() => { this.open = asked; this.closed = !asked; }, 100);
    }
    this.tookOpen = this.wantOpen;
    for (const [variable, get] of this.watched) {
      const next = get();
      if (variable.readValue().value.value !== next.value) variable.setValueFromSource(next);
    }
  }
}

run({
  name: "vision-station", nodesets: [nodesets.standard, nodesets.machineVision, path.join(__dirname, "vision_station.xml")], namespaces: [OWN],
  build: (server) => { const station = new Station(server); station.build(); return station; },
});
