"""From a TOML file to a checked Spec, and back: keys, units, cross-checks, edits, the schema."""
