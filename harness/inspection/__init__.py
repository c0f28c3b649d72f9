"""What is looked at on a bench before its first use, at low voltage only: see course.py for the list."""
