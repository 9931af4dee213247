// As level_station.js, without anything that the profile can do without.
"use strict";
const { nodesets } = require("node-opcua");
const { run } = require("./serving.js");
const { Station, OWN } = require("./level_station.js");

run({
  name: "level-station-bare", nodesets: [nodesets.standard], namespaces: [OWN],
  build: (server) => {
    const station = new Station(server, ["MeasuringReleased", "PartFree", "ClearRequest"]);
    station.build();
    return station;
  },
});
