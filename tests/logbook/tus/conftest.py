import pytest

from tests.factories import a_programme, a_trainee, drafted_exam
from tests.logbook.tus.sending import NOW


@pytest.fixture(autouse=True)
def staging_of_its_own(settings, tmp_path):
    settings.STAGING_ROOT = tmp_path / "staging"
    return settings.STAGING_ROOT


@pytest.fixture
def programme(db):
    return a_programme(code="em")


@pytest.fixture
def ines(programme):
    return a_trainee(programme, "Ines Haldor")


@pytest.fixture
def exam(ines, programme):
    return drafted_exam(ines, programme, when=NOW())


@pytest.fixture
def phone(client, ines):
    client.force_login(ines)
    return client
