// The station with job control, and its results by machinery result transfer (OPC 40001-101 with its official nodeset).
//
// It keeps each result until it is acknowledged, also when its job is cleared or forgotten. Started with "latest" as third argument it
// has GetLatestResult alone of all methods, which are all optional.
"use strict";
const { Variant, VariantArrayType, DataType, StatusCodes, FilterOperator, nodesets } = require("node-opcua");
const { Station, SET, OWN } = require("./job_station.js");
const { run } = require("./serving.js");

const RESULT = "http://opcfoundation.org/UA/Machinery/Result/";
const ALL = ["GetLatestResult", "GetResultById", "GetResultIdListFiltered", "AcknowledgeResults", "ReleaseResultHandle"];
const NO_SUCH_RESULT = -1;   // below 0: application-specific (7.1.2)
const NO_SUCH_FILTER = -2;
const int32 = (value) => new Variant({ dataType: DataType.Int32, value });
const handle = () => new Variant({ dataType: DataType.UInt32, value: 0 }); // 0: none is to be released
const strings = (value) => new Variant({ dataType: DataType.String, arrayType: VariantArrayType.Array, value });

class ResultStation extends Station {
  constructor(server, methods) {
    super(server);
    this.methods = methods;
    this.results = [];          // {id, job, part, made}
    this.acknowledged = [];
    this.asked = [];            // which methods were called
    this.late = 0;              // results that are made, and shown as still being processed for so many queries
    this.simulated = false;
    this.count = 0;
  }

  build() {
    super.build();
    this.result = this.space.getNamespace(RESULT);
    this.buildResults(this.result, this.blocks, this.space.findObjectType("ResultManagementType", this.result.index));
  }

  buildResults(namespace, parent, type) {
    const management = type.instantiate({
      browseName: { name: "ResultManagement", namespaceIndex: namespace.index }, componentOf: parent, optionals: this.methods,
    });
    const answers = {
      GetLatestResult: () => this.given(this.results[this.results.length - 1]),
      GetResultById: (inputs) => this.given(this.results.find((one) => one.id === inputs[0].value)),
      GetResultIdListFiltered: (inputs) => this.listed(inputs[0].value),
      AcknowledgeResults: (inputs) => this.acknowledge(inputs[0].value),
      ReleaseResultHandle: () => [int32(NO_SUCH_RESULT)],
    };
    for (const name of this.methods) {
      this.bind(management, name, (inputs) => { this.asked.push(name); return answers[name](inputs); });
    }
  }

  finished(job) {
    this.count += 1;
    this.results.push({ id: `result-${this.count}`, job: job.order.jobOrderID, part: job.order.materialRequirements?.[0]?.materialSublotID,
      made: new Date(), values: this.values(job.order) });
  }

  // The jobs whose results are still kept.
  get kept() { return this.results.map((one) => one.job); }

  // A job ends now.
  set ends(id) { const job = this.find(id); job.state = 5; job.ended = new Date(); this.finished(job); this.show(); }

  // As after a restart that lost its list of jobs and kept its results.
  set forgets(_value) { this.jobs = []; this.show(); }

  meta(one) {
    const processing = this.late > 0;
    this.late = Math.max(this.late - 1, 0);
    return { resultId: one.id, isPartial: false, isSimulated: this.simulated, resultState: processing ? 2 : 1, jobId: one.job, partId: one.part,
      creationTime: one.made, resultEvaluation: 1 };
  }

  data(one) {
    const type = (name) => this.space.findDataType(name, this.result.index);
    return this.space.constructExtensionObject(type("ResultDataType"), {
      resultMetaData: this.space.constructExtensionObject(type("ResultMetaDataType"), this.meta(one)),
      resultContent: one.values.map((value) => new Variant({ dataType: DataType.ExtensionObject, value })),
    });
  }

  given(one) {
    if (!one) return [handle(), new Variant({ dataType: DataType.ExtensionObject, value: null }), int32(NO_SUCH_RESULT)];
    return [handle(), new Variant({ dataType: DataType.ExtensionObject, value: this.data(one) }), int32(0)];
  }

  // One element "Equals" of a path from ResultType and a literal; anything else is refused, so that a wrong filter shows.
  listed(filter) {
    const [element, more] = filter.elements;
    const refused = [handle(), strings([]), int32(NO_SUCH_FILTER)];
    if (!element || more || element.filterOperator !== FilterOperator.Equals) return refused;
    const [operand, literal] = element.filterOperands;
    const type = this.space.findVariableType("ResultType", this.result.index);
    const path = (operand.browsePath || []).map((name) => `${name.namespaceIndex}:${name.name}`).join("/");
    const jobId = `${this.result.index}:ResultMetaData/${this.result.index}:JobId`;
    if (operand.typeDefinitionId.toString() !== type.nodeId.toString() || path !== jobId) return refused;
    const found = this.results.filter((one) => one.job === literal.value.value);
    return [handle(), strings(found.map((one) => one.id)), int32(0)];
  }

  acknowledge(ids) {
    const errors = ids.map((id) => (this.results.some((one) => one.id === id) ? 0 : NO_SUCH_RESULT));
    this.acknowledged.push(...ids);
    this.results = this.results.filter((one) => !ids.includes(one.id));
    const failed = errors.some((error) => error !== 0);
    const each = new Variant({ dataType: DataType.Int32, arrayType: VariantArrayType.Array, value: failed ? errors : [] });
    return [each, int32(failed ? NO_SUCH_RESULT : 0)];
  }
}

const RESULT_SET = [...SET, nodesets.machineryResult];

module.exports = { ResultStation, RESULT_SET, RESULT, ALL };

if (require.main === module) {
  const methods = process.argv[4] === "latest" ? ["GetLatestResult"] : ALL;
  run({
    name: "result-station", nodesets: RESULT_SET, namespaces: [OWN],
    build: (server) => { const station = new ResultStation(server, methods); station.build(); return station; },
  });
}
