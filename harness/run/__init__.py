"""Running plans: order, ledger, one runner a step kind, verdicts."""
