"""Plans, standings, reports."""
