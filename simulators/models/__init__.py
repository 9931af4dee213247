"""The physics of stations, handler, tags and parts: pure, and knowing nobody."""
