"""Pictures that came before: hints, and what looking for them costs."""

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from PIL import Image

from logbook import duplicates
from logbook.actions.objects import remember
from logbook.intake import fingerprint
from logbook.models import Capture, FingerprintCode
from tests.factories import drafted_exam, kept_capture, stored_clip
from tests.logbook.intake import samples
from tests.logbook.test_captures import folders  # noqa: F401

NOW = timezone.now


def lung(seed):
    """Speckle of an invented lung, 320 by 240, with its own layers."""
    rng = np.random.default_rng(seed)
    coarse = rng.rayleigh(60, (48, 64))
    layers = 40 * np.sin(np.linspace(0, 3 + rng.uniform(4, 9), 240))[:, None]
    grown = np.asarray(Image.fromarray(coarse.astype(np.float32)).resize((320, 240), 2))
    return np.clip(grown + layers + rng.normal(0, 6, (240, 320)), 16, 235).astype(np.uint8)


def hints(exam):
    return [
        (hint.capture.pk, hint.other.pk, hint.same)
        for hint in duplicates.hints_of(exam, list(exam.captures.ready()))
    ]


@pytest.fixture
def mine(ines, programme):
    return drafted_exam(ines, programme, when=NOW())


@pytest.fixture
def theirs(bram, programme):
    return drafted_exam(bram, programme, when=NOW())


def test_the_same_file_in_two_peoples_exams(mine, theirs):
    content = samples.picture(lung(1))
    one, two = (kept_capture(exam, content, when=NOW()) for exam in (mine, theirs))
    assert hints(mine) == [(one.pk, two.pk, True)]
    assert hints(theirs) == [(two.pk, one.pk, True)]


def test_the_same_file_twice_in_one_exam_is_said_once(mine):
    content = samples.picture(lung(1))
    one, two = (kept_capture(mine, content, when=NOW()) for _ in range(2))
    assert hints(mine) == [(one.pk, two.pk, True)]


def test_the_same_picture_re_encoded_and_smaller(mine, theirs):
    one = kept_capture(mine, samples.picture(lung(1)), when=NOW())
    smaller = np.asarray(Image.fromarray(lung(1)).resize((280, 210), 2))
    two = kept_capture(theirs, samples.picture(smaller, "JPEG", quality=60), when=NOW())
    assert one.arrival_mac != two.arrival_mac
    assert hints(mine) == [(one.pk, two.pk, False)]


def test_other_pictures_are_not_hinted_at(mine, theirs, ines, programme):
    for seed in range(2, 6):
        kept_capture(theirs, samples.picture(lung(seed)), when=NOW())
    kept_capture(mine, samples.picture(lung(1)), when=NOW())
    assert hints(mine) == []


def test_what_is_gone_or_in_another_programme_is_not_hinted_at(mine, theirs):
    from tests.factories import a_programme, a_trainee

    content = samples.picture(lung(1))
    kept_capture(mine, content, when=NOW())
    gone = kept_capture(theirs, content, when=NOW())
    Capture.objects.filter(pk=gone.pk).update(state="removed", gone_because="own", gone_at=NOW())
    elsewhere = a_programme()
    kept_capture(
        drafted_exam(a_trainee(elsewhere, "Sam Elsewhere"), elsewhere, when=NOW()),
        content,
        when=NOW(),
    )
    assert hints(mine) == []


def test_looking_asks_as_many_questions_in_a_large_programme_as_in_a_small_one(mine, theirs):
    kept_capture(mine, samples.picture(lung(1)), when=NOW())
    captures = list(mine.captures.ready())

    def asked():
        with CaptureQueriesContext(
            connection,
        ) as seen:
            duplicates.hints_of(mine, captures)
        return len(seen)

    few = asked()
    rng = np.random.default_rng(8)
    for _ in range(60):
        noise = rng.integers(-60, 60, fingerprint.SIZE, dtype=np.int8).tobytes()
        remember(stored_clip(theirs, when=NOW()), noise)
    assert FingerprintCode.objects.count() == 61 * fingerprint.BANDS
    assert asked() == few


def test_a_fingerprint_outlives_encoding_and_size_and_tells_pictures_apart():
    """Drawn pictures alone: the bound was not tried on patients' scans."""
    prints = [fingerprint.fingerprint(lung(seed)) for seed in range(12)]
    for seed, one in enumerate(prints):
        small = np.asarray(Image.fromarray(lung(seed)).resize((213, 160), 2))
        brighter = np.clip(lung(seed) * 1.2 + 4, 0, 255).astype(np.uint8)
        again = [fingerprint.fingerprint(small), fingerprint.fingerprint(brighter)]
        assert fingerprint.correlations(one, again).min() > 0.96
        others = [p for other, p in enumerate(prints) if other != seed]
        assert fingerprint.correlations(one, others).max() < 0.85


@pytest.mark.parametrize(("likeness", "at_least", "at_most"), [
    (0.98, 0.97, 1.0), (0.93, 0.7, 0.95), (0.3, 0.0, 0.02),
])  # fmt: skip
def test_the_index_finds_what_correlates_and_little_else(likeness, at_least, at_most):
    """The chance that a sign differs is acos(r) / pi (Goemans and Williamson, J ACM 1995)."""
    rng = np.random.default_rng(11)
    found = 0
    for _ in range(200):
        one = rng.standard_normal(fingerprint.SIZE)
        other = likeness * one + np.sqrt(1 - likeness**2) * rng.standard_normal(fingerprint.SIZE)
        a, b = (np.clip(v * 32, -127, 127).astype(np.int8).tobytes() for v in (one, other))
        found += bool(set(fingerprint.near_codes(a)) & set(fingerprint.codes(b)))
    assert at_least <= found / 200 <= at_most


def test_directions_never_change():
    """Stored codes depend on them: computed once and written down here."""
    assert fingerprint.codes(bytes(range(64)) * (fingerprint.SIZE // 64))[:2] == [
        15524186,
        28097399,
    ]


def test_a_picture_of_nothing_is_not_remembered(mine):
    black = fingerprint.fingerprint(np.zeros((120, 160), np.uint8))
    assert not any(black)
    remember(stored_clip(mine, when=NOW()), black)
    assert FingerprintCode.objects.count() == 0
