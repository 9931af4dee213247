"""The cell over HTTP: REST and live events."""
