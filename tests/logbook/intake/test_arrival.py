import hashlib
import hmac

import pytest

from logbook.intake.arrival import ArrivalKey, ArrivalMac, from_text, load_or_make


def test_the_fingerprint_is_hmac_sha256_of_the_whole_file():
    """RFC 4231, test cases 1 and 2 (published keys, data and results)."""
    one = ArrivalMac(ArrivalKey("k", b"\x0b" * 20))
    assert b"".join(one.watch([b"Hi", b" ", b"There"])) == b"Hi There"
    assert one.hexdigest() == "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
    two = ArrivalMac(ArrivalKey("k", b"Jefe"))
    list(two.watch([b"what do ya want for nothing?"]))
    assert two.hexdigest() == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_the_key_is_made_once_and_for_its_owner_alone(tmp_path):
    path = tmp_path / "arrival.key"
    first = load_or_make(path)
    assert load_or_make(path) == first
    assert oct(path.stat().st_mode & 0o777) == "0o600"
    assert len(first.secret) == 32


def test_the_id_tells_keys_apart_and_says_nothing_of_the_secret(tmp_path):
    first, second = load_or_make(tmp_path / "a"), load_or_make(tmp_path / "b")
    assert first.id != second.id
    assert first.secret.hex() not in repr(first)
    assert first.id not in first.secret.hex()
    plain = hmac.new(first.secret, b"file", hashlib.sha256).hexdigest()
    mac = ArrivalMac(first)
    list(mac.watch([b"file"]))
    assert (mac.hexdigest(), mac.key_id) == (plain, first.id)


def test_a_key_that_is_none_is_refused():
    with pytest.raises(ValueError, match="hexadecimal"):
        from_text("abcd")
