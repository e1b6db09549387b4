"""What the commands print as JSON, as the models that also give its schema."""
