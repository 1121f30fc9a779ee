import pytest

from tests.factories import a_director, a_programme, a_reader, a_trainee


@pytest.fixture
def programme(db):
    return a_programme(code="em")


@pytest.fixture
def ines(programme):
    return a_trainee(programme, "Ines Haldor")


@pytest.fixture
def bram(programme):
    return a_trainee(programme, "Bram Oduya")


@pytest.fixture
def maren(programme):
    return a_reader(programme, "Maren Achterberg", ("pneumothorax", "effusion"))


@pytest.fixture
def tove(programme):
    return a_director(programme, "Tove Lindqvist")
