"""The only way to the database: journal, snapshots, hash chain, records and their questions, migrations."""

from supervisor.store.errors import StoreError, StoreRefused
from supervisor.store.opening import Archive, Standby, Store, open_archive, open_store

__all__ = [
    "Archive",
    "Standby",
    "Store",
    "StoreError",
    "StoreRefused",
    "open_archive",
    "open_store",
]
