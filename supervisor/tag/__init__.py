"""The bytes on a pallet's radio tag, read and written: pure."""
