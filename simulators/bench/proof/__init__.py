"""Exhaustive proof of the handshake: the production core in an abstract world, every state that can be reached."""
