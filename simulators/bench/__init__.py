"""Virtual time, faults from a seed, checkers that know the truth, scenarios and reports."""
