// Tag readers on the node-opcua stack with the official nodeset of AutoID (OPC 30010), one device for each place. For tests.
//
// slot-1 and slot-2 have all that the profile knows; slot-3 has no ReadTag and gives the memory of a tag as what it finds. The switch
// "tags" says what lies where: {"slot-1": [{uid, memory}, ...]}, both in hexadecimal digits.
"use strict";
const { Variant, VariantArrayType, DataType, StatusCodes, nodesets } = require("node-opcua");
const { run } = require("./serving.js");

const AUTOID = "http://opcfoundation.org/UA/AutoID/";
const OWN = "urn:pointsman:site:readers";
const SUCCESS = 0, OUT_OF_RANGE = 7, NO_IDENTIFIER = 8; // AutoIdOperationStatusEnumeration (OPC 30010, 9.2.1)
const PLACES = { "slot-1": ["Scan", "ReadTag"], "slot-2": ["Scan", "ReadTag"], "slot-3": ["Scan"] };

class Readers {
  constructor(server) {
    this.space = server.engine.addressSpace;
    this.tags = {};
    this.emptySuccess = false; // a reader that calls a scan without any tag a success
    this.presence = [];
  }

  build() {
    const space = this.space;
    this.autoid = space.getNamespace(AUTOID);
    const own = space.getNamespace(OWN);
    const type = space.findObjectType("RfidReaderDeviceType", this.autoid.index);
    const devices = space.rootFolder.objects.getFolderElementByName("DeviceSet") || space.rootFolder.objects.getComponentByName("DeviceSet");
    for (const [place, methods] of Object.entries(PLACES)) {
      const device = type.instantiate({
        browseName: { name: place, namespaceIndex: own.index }, componentOf: devices, optionals: [...methods, "Diagnostics", "Diagnostics.Presence"],
      });
      const presence = device.getComponentByName("Diagnostics").getChildByName("Presence");
      this.presence.push([place, presence]);
      this.bind(device, "Scan", (inputs) => this.scan(place, inputs[0].value));
      if (methods.includes("ReadTag")) this.bind(device, "ReadTag", (inputs) => this.read(place, inputs.map((one) => one.value)));
    }
    this.cycle();
  }

  bind(device, name, answer) {
    const method = device.getMethodByName(name);
    if (!method) throw new Error(`no method ${name}`);
    method.bindMethod(async (inputs, _context) => ({ statusCode: StatusCodes.Good, outputArguments: answer(inputs) }));
  }

  at(place) { return this.tags[place] || []; }

  status(value) { return new Variant({ dataType: DataType.Int32, value }); }

  scan(place, settings) {
    if (!settings.duration && !settings.cycles && !settings.dataAvailable) throw new Error("would never end");
    const type = this.space.findDataType("RfidScanResult", this.autoid.index);
    const memoryItself = !PLACES[place].includes("ReadTag");
    const value = this.at(place).map((tag) => this.space.constructExtensionObject(type, {
      codeType: memoryItself ? "RAW:BYTES" : "UID",
      scanData: { byteString: Buffer.from(memoryItself ? tag.memory : tag.uid, "hex") },
      timestamp: new Date(), sighting: [{ antenna: 1, strength: -40, timestamp: new Date(), currentPowerLevel: 20 }],
    }));
    const none = value.length === 0 && !this.emptySuccess;
    return [new Variant({ dataType: DataType.ExtensionObject, arrayType: VariantArrayType.Array, value }), this.status(none ? NO_IDENTIFIER : SUCCESS)];
  }

  read(place, [identifier, codeType, region, offset, length]) {
    const uid = codeType === "UID" && identifier.byteString ? identifier.byteString.toString("hex") : "";
    const tag = this.at(place).find((one) => one.uid === uid);
    const data = (value, status) => [new Variant({ dataType: DataType.ByteString, value }), this.status(status)];
    if (!tag) return data(Buffer.alloc(0), NO_IDENTIFIER);
    if (region !== 0) return data(Buffer.alloc(0), OUT_OF_RANGE);
    return data(Buffer.from(tag.memory, "hex").subarray(offset, offset + length), SUCCESS);
  }

  cycle() {
    for (const [place, variable] of this.presence) {
      const value = this.at(place).length;
      if (variable.readValue().value.value !== value) variable.setValueFromSource({ dataType: DataType.UInt16, value });
    }
  }
}

run({
  name: "readers",
  nodesets: [nodesets.standard, nodesets.di, nodesets.autoId],
  namespaces: [OWN],
  build: (server) => { const readers = new Readers(server); readers.build(); return readers; },
});
