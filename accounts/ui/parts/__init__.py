"""The tags, by what they draw. `{% load ui %}` brings all of them."""
