"""Test plans: steps as data, and the files that hold them."""
