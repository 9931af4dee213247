"""The only way to the database: journal, snapshots, records."""
