"""Everything that acts: reads plans, drives the bench, judges, records."""
