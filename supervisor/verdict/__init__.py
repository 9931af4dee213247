"""From results to one record and one verdict: pure."""
