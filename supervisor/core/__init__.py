"""The deciding core: pure, total, deterministic, standard library only."""
