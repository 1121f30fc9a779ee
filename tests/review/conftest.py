"""One programme with its people, for the tests that need nothing special."""

import pytest

from tests import factories


@pytest.fixture
def programme(db):
    return factories.a_programme()


@pytest.fixture
def trainee(programme):
    return factories.a_trainee(programme)


@pytest.fixture
def reader(programme):
    return factories.a_reader(programme)


@pytest.fixture
def second_reader(programme):
    return factories.a_reader(programme, "Edda Marsh")
