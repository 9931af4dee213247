"""Gauge studies in virtual time: the production core carries one out on modelled machines, and its result is told beside the truth."""
