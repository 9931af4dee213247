"""Events in, state and commands out: pure, total, deterministic."""
