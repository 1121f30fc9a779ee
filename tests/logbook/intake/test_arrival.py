import pytest

from logbook.intake.arrival import ArrivalMac
from logbook.intake.keys import Key, KeyMissing, keys_from, open_sealed, seal

LONG = "a-secret-of-thirty-two-characters"


def test_the_fingerprint_is_hmac_sha256_of_the_whole_file():
    """RFC 4231, test cases 1 and 2 (published keys, data and results)."""
    one = ArrivalMac(Key("k", b"\x0b" * 20))
    assert b"".join(one.watch([b"Hi", b" ", b"There"])) == b"Hi There"
    assert one.hexdigest() == "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
    two = ArrivalMac(Key("k", b"Jefe"))
    two.update(b"what do ya want for nothing?")
    assert two.hexdigest() == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_keys_are_read_with_and_without_ids():
    assert keys_from(f"new:{LONG}, old:{LONG}x") == (
        Key("new", LONG.encode()),
        Key("old", LONG.encode() + b"x"),
    )
    (unnamed,) = keys_from(LONG)
    assert len(unnamed.id) == 12
    assert unnamed == keys_from(LONG)[0]
    assert LONG not in repr(unnamed)


@pytest.mark.parametrize("text", ["", " , ", "short", "a:short", f"a:{LONG},a:{LONG}"])
def test_what_is_no_list_of_keys_is_refused(text):
    with pytest.raises(ValueError, match="key"):
        keys_from(text)


def test_an_old_key_still_opens_what_it_sealed_and_nothing_else_does():
    old, new = Key("old", LONG.encode()), Key("new", LONG.encode() + b"x")
    sealed = seal(old, b"the upload's key", "u1")
    assert open_sealed([new, old], "old", sealed, "u1") == b"the upload's key"
    for keys, key_id, content, context in (
        ([new], "old", sealed, "u1"),
        ([new, old], "new", sealed, "u1"),
        ([new, old], "old", sealed, "u2"),
        ([new, old], "old", sealed[:-1], "u1"),
        ([new, old], "old", b"", "u1"),
    ):
        with pytest.raises(KeyMissing):
            open_sealed(keys, key_id, content, context)
