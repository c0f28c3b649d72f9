"""Files to frozen values: YAML and LDF in, models out, every error as file:line:column."""
