"""Reports: pure functions of a run record."""
