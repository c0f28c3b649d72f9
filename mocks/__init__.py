"""The simulated world. Imports protocol only, so that no trip formula is shared with harness.trip."""
