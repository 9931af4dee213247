"""The pages that people at the cell look at."""
