"""The routes of the interface: one file per noun."""
