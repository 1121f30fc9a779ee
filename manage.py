#!/usr/bin/env python3
"""The command line of the service: `manage.py help` lists what it can do."""

import os
import sys

# These make databases, tables, triggers and grants, which the application's own role may not.
OWNER_COMMANDS = frozenset({"migrate", "createcachetable", "prepare", "sqlmigrate", "bench"})


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
    if len(sys.argv) > 1 and sys.argv[1] in OWNER_COMMANDS:
        os.environ["INTERSPACE_DATABASE_AS"] = "owner"
    try:
        from django.core.management import execute_from_command_line
    except ImportError as missing:
        raise SystemExit(
            "Django is not importable. Run `sh deploy/setup`, then use .venv/bin/python."
        ) from missing
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
