"""Reading lists, blind readings, attestations."""
