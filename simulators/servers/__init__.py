"""A model behind an OPC UA server, one process each."""
