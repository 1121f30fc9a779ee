"""Every change on this floor, by noun."""
