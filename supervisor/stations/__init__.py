"""Stations, handler and tag readers over OPC UA, as their interface profiles say."""
