import os
from datetime import UTC, datetime, timedelta

import pytest

from logbook.intake.staging import PIECE, Staging, StagingError, TooLarge, new_key

KEY = bytes(range(32))


@pytest.fixture
def staging(tmp_path):
    return Staging(tmp_path / "staging")


@pytest.mark.parametrize("size", [0, 1, PIECE - 1, PIECE, PIECE + 1, 2 * PIECE, 3 * PIECE + 7])
def test_what_was_staged_comes_back(staging, size):
    content = bytes(i * 31 % 256 for i in range(size))
    pieces = [content[at : at + 1000] for at in range(0, size, 1000)]
    assert staging.write("u1", "arrived", pieces, key=KEY) == size
    assert b"".join(staging.read("u1", "arrived", key=KEY)) == content


def test_nothing_readable_rests_on_disk(staging):
    staging.write("u1", "arrived", [b"Ada Invented, born 1 May 1950 " * 5000], key=KEY)
    on_disk = b"".join(path.read_bytes() for path in staging.root.rglob("*") if path.is_file())
    assert b"Invented" not in on_disk
    assert b"1950" not in on_disk


def test_folders_and_files_are_for_their_owner_alone(staging):
    staging.write("u1", "arrived", [b"x"], key=KEY)
    assert oct((staging.root / "u1").stat().st_mode & 0o777) == "0o700"
    assert oct((staging.root / "u1" / "arrived").stat().st_mode & 0o777) == "0o600"


def damage_cut_at_a_piece(raw):
    return raw[: 11 + PIECE + 16]


def damage_cut_inside(raw):
    return raw[:-5]


def damage_a_bit(raw):
    return raw[:5000] + bytes([raw[5000] ^ 1]) + raw[5001:]


def damage_order(raw):
    sealed = PIECE + 16
    head, body = raw[:11], raw[11:]
    return head + body[sealed : 2 * sealed] + body[:sealed] + body[2 * sealed :]


def damage_head(raw):
    return b"XXXX" + raw[4:]


def damage_all(raw):
    return b""


@pytest.mark.parametrize(
    "damage",
    [
        damage_cut_at_a_piece,
        damage_cut_inside,
        damage_a_bit,
        damage_order,
        damage_head,
        damage_all,
    ],
)
def test_a_damaged_part_is_refused(staging, damage):
    staging.write("u1", "arrived", [b"a" * PIECE, b"b" * PIECE, b"c" * 10], key=KEY)
    path = staging.root / "u1" / "arrived"
    path.write_bytes(damage(path.read_bytes()))
    with pytest.raises(StagingError):
        b"".join(staging.read("u1", "arrived", key=KEY))


def test_another_key_another_name_and_another_upload_are_refused(staging):
    staging.write("u1", "arrived", [b"content"], key=KEY)
    staging.write("u2", "arrived", [b"other"], key=KEY)
    with pytest.raises(StagingError):
        list(staging.read("u1", "arrived", key=new_key()))
    (staging.root / "u1" / "arrived").rename(staging.root / "u2" / "arrived")
    with pytest.raises(StagingError):
        list(staging.read("u2", "arrived", key=KEY))
    with pytest.raises(StagingError):
        list(staging.read("u1", "arrived", key=KEY))


def test_a_broken_upload_leaves_the_earlier_part_and_no_piece_of_the_new(staging):
    staging.write("u1", "arrived", [b"first"], key=KEY)

    def breaks_off():
        yield b"second" * 50_000
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        staging.write("u1", "arrived", breaks_off(), key=KEY)
    assert [path.name for path in (staging.root / "u1").iterdir()] == ["arrived"]
    assert b"".join(staging.read("u1", "arrived", key=KEY)) == b"first"


def test_more_than_the_limit_is_refused_and_not_kept(staging):
    with pytest.raises(TooLarge):
        staging.write("u1", "arrived", [b"x" * 60, b"x" * 60], key=KEY, limit=100)
    assert staging.listing() == []


def test_the_oldest_comes_first(staging):
    now = datetime.now(UTC)
    staging.write("young", "arrived", [b"x"], key=KEY)
    staging.write("old", "arrived", [b"x" * 10], key=KEY)
    day_ago = (now - timedelta(hours=24)).timestamp()
    os.utime(staging.root / "old" / "arrived", (day_ago, day_ago))
    assert [staged.upload for staged in staging.listing()] == ["old", "young"]


def test_removing_twice_is_no_error(staging):
    staging.write("u1", "arrived", [b"x"], key=KEY)
    assert staging.remove("u1") is True
    assert staging.remove("u1") is False


@pytest.mark.parametrize("name", ["", "..", "../u2", "a/b", ".hidden", "A", "x" * 65])
def test_a_name_that_could_leave_the_folder_is_refused(staging, name):
    with pytest.raises(ValueError, match="name"):
        staging.write(name, "arrived", [b"x"], key=KEY)
    with pytest.raises(ValueError, match="name"):
        staging.write("u1", name, [b"x"], key=KEY)
