import hashlib
import io

import pytest
from django.core.files.storage import FileSystemStorage

from logbook.intake.store import FolderStore, StorageStore, key_of

PROGRAMME = "0199aaaa-0000-7000-8000-000000000001"


@pytest.fixture(params=["folder", "django storage"])
def store(request, tmp_path):
    if request.param == "folder":
        return FolderStore(tmp_path / "objects")
    return StorageStore(FileSystemStorage(location=tmp_path / "objects"))


def test_an_object_is_kept_under_the_name_of_its_content(store):
    stored = store.put(PROGRAMME, io.BytesIO(b"pixels"))
    digest = hashlib.sha256(b"pixels").hexdigest()
    assert (stored.key, stored.sha256, stored.size) == (
        f"{PROGRAMME}/{digest[:2]}/{digest}",
        digest,
        6,
    )
    with store.open(stored.key) as kept:
        assert kept.read() == b"pixels"
    assert store.size(stored.key) == 6
    assert store.exists(stored.key)
    assert list(store.keys()) == [stored.key]


def test_the_same_bytes_twice_are_one_object_and_two_programmes_share_none(store):
    first = store.put(PROGRAMME, io.BytesIO(b"pixels"))
    assert store.put(PROGRAMME, io.BytesIO(b"pixels")) == first
    other = store.put("another", io.BytesIO(b"pixels"))
    assert sorted(store.keys()) == sorted([first.key, other.key])


def test_a_broken_source_leaves_nothing(store, tmp_path):
    class Breaks(io.BytesIO):
        def read(self, size=-1):
            raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        store.put(PROGRAMME, Breaks())
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_removing_is_idempotent(store):
    stored = store.put(PROGRAMME, io.BytesIO(b"pixels"))
    store.remove(stored.key)
    store.remove(stored.key)
    assert not store.exists(stored.key)
    with pytest.raises(FileNotFoundError):
        store.open(stored.key)


@pytest.mark.parametrize(
    "key", ["../../etc/passwd", "p/aa/../../x", "p/ab/" + "cd" * 32, "p/AB/" + "AB" * 32, ""]
)
def test_a_key_that_is_none_is_refused(tmp_path, key):
    store = FolderStore(tmp_path)
    with pytest.raises(ValueError, match="object key"):
        store.open(key)


def test_a_programme_that_could_leave_the_folder_is_refused():
    with pytest.raises(ValueError, match="object key"):
        key_of("..", "ab" * 32)
