"""A process beside this one. Apart from its callers: it is imported before Django is set up."""

import django


def begin(database: str) -> None:
    """`database`: the one in use here. The configured one may be another, and somebody's."""
    django.setup()
    from django.db import connection

    connection.settings_dict["NAME"] = database
