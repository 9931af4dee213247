"""Pointsman supervises one automated inspection cell."""
