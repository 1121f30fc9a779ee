"""Standings have no addresses in the API yet: they are read on their pages and in the exports."""

urlpatterns: list = []
