// A server of this stack around one simulated station, and how a test talks to it.
//
// - It offers None and every current security policy. It makes its own certificate, and takes only applications and users that it was
//   told of: strangers are refused, as a station in a plant refuses them.
// - It says one JSON line when it is ready: {"url", "certificate" (a file)}. Each line that it takes is answered by a line, so that a test
//   goes on only once it holds: {"switch": name, "value"} sets a field of the station, {"trust": "application" or "user", "value": file}
//   makes a certificate known, {"ask": name} has the field in the answer as "value", {"hide": path} takes a node out of its place and
//   {"unhide": path} puts it back, so that one server plays stations with and without an option. It ends with its input.
"use strict";
const fs = require("fs");
const path = require("path");
const readline = require("readline");
const { OPCUAServer, OPCUACertificateManager, SecurityPolicy, MessageSecurityMode } = require("node-opcua");

// A cut leaves two sessions behind until their time-out of 10 s; the stack's own 10 sessions would not do for a test of many cuts.
const SESSIONS_MAX = 100;
const USER = "pointsman";
const PASSWORD = "swordfish-7"; // as in tests/integration/stations/strange_server.py
const POLICIES = [
  SecurityPolicy.None, SecurityPolicy.Basic256Sha256, SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss,
];

async function manager(rootFolder) {
  const made = new OPCUACertificateManager({ rootFolder, automaticallyAcceptUnknownCertificate: false });
  await made.initialize();
  return made;
}

async function ownCertificate(applications, folder, uri) {
  const file = path.join(folder, "server.pem");
  await applications.createSelfSignedCertificate({
    applicationUri: uri, dns: ["localhost"], ip: ["127.0.0.1"], outputFile: file, subject: "/CN=peer", startDate: new Date(), validity: 30,
  });
  return file;
}

// Takes nodes out of their places, by the browse names from Objects on, and puts them back.
class Hidden {
  constructor(server) { this.objects = server.engine.addressSpace.rootFolder.objects; this.space = server.engine.addressSpace; this.taken = {}; }

  down(here, name) {
    const found = here.findReferencesEx("HierarchicalReferences").find((one) => one.isForward && this.space.findNode(one.nodeId)?.browseName.name === name);
    if (!found) throw new Error(`no ${name} below ${here.browseName.name}`);
    return found;
  }

  hide(path) {
    const names = path.split("/");
    const parent = names.slice(0, -1).reduce((here, name) => this.space.findNode(this.down(here, name).nodeId), this.objects);
    const { referenceType, nodeId } = this.down(parent, names[names.length - 1]);
    this.taken[path] = [parent, { referenceType, nodeId, isForward: true }];
    parent.removeReference(this.taken[path][1]);
  }

  unhide(path) {
    const [parent, reference] = this.taken[path];
    parent.addReference(reference);
    delete this.taken[path];
  }
}

async function serve({ name, nodesets, namespaces, build }) {
  const folder = process.argv[2];
  const port = Number(process.argv[3] || 0);
  const applications = await manager(path.join(folder, "applications"));
  const users = await manager(path.join(folder, "users"));
  const uri = `urn:pointsman:peer:${name}`;
  const certificateFile = await ownCertificate(applications, folder, uri);
  const server = new OPCUAServer({
    port, hostname: "127.0.0.1", resourcePath: "/station", nodeset_filename: nodesets, buildInfo: { productName: "peer" },
    serverInfo: { applicationUri: uri }, serverCertificateManager: applications, certificateFile, privateKeyFile: applications.privateKey,
    userCertificateManager: users, userManager: { isValidUser: (user, password) => user === USER && password === PASSWORD },
    serverCapabilities: { maxSessions: SESSIONS_MAX }, maxConnectionsPerEndpoint: SESSIONS_MAX,
    securityPolicies: POLICIES, securityModes: [MessageSecurityMode.None, MessageSecurityMode.SignAndEncrypt],
  });
  await server.initialize();
  for (const each of namespaces) server.engine.addressSpace.registerNamespace(each);
  const station = build(server);
  // What came to change something, and under which audit id; a station that audits puts that into its events.
  station.heard = [];
  Object.defineProperty(station, "sessions", { get: () => server.engine.currentSessionCount });
  Object.defineProperty(station, "serverState", { set: (state) => server.engine.setServerState(state) });
  server.on("request", (request) => {
    const kind = request.schema.name;
    if (kind === "CallRequest" || kind === "WriteRequest") station.heard.push([kind, request.requestHeader.auditEntryId]);
  });
  await server.start();
  setInterval(() => station.cycle(), 20);
  const say = (line) => console.log(JSON.stringify(line));
  const trusting = { application: applications, user: users };
  const hidden = new Hidden(server);
  const lines = readline.createInterface({ input: process.stdin });
  lines.on("line", async (line) => {
    const told = JSON.parse(line);
    if (told.ask) { say({ done: told, value: station[told.ask] }); return; }
    if (told.hide) hidden.hide(told.hide);
    else if (told.unhide) hidden.unhide(told.unhide);
    else if (told.trust) await trusting[told.trust].trustCertificate(fs.readFileSync(told.value));
    else station[told.switch] = told.value;
    say({ done: told });
  });
  lines.on("close", () => process.exit(0));
  say({ url: `opc.tcp://127.0.0.1:${server.endpoints[0].port}/station`, certificate: certificateFile });
}

function run(what) {
  serve(what).catch((error) => { console.error(error); process.exit(1); });
}

module.exports = { run };
