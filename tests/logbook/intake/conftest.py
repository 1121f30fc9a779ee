"""One warm child program for all intake tests, as one worker process has one."""

import pytest

from logbook.intake.runner import Runner


@pytest.fixture(scope="session")
def runner():
    """The real runner with its real child; nothing is stood in for."""
    one = Runner()
    yield one
    one.close()
