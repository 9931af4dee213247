"""The step around the core: inbox, outbox, timers, replay; no wire and no database."""
