"""The run record: what a step came to, written as it happens, read by whoever needs it."""
