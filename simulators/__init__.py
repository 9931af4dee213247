"""Simulated stations, handler and tag reader, and the bench that proves the supervisor on them."""
