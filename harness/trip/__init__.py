"""What a breaker must do and when, in closed form: the expected results that every verdict is measured against."""
