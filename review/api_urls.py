"""The reading room has no addresses in the API yet: a reading is given on its page alone."""

urlpatterns: list = []
