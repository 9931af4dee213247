"""Which pallet goes where next, and why: pure."""
