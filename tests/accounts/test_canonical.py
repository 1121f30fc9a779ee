"""The ledger's canonical text is RFC 8785's, whichever way it is made."""

import rfc8785
from hypothesis import example, given
from hypothesis import strategies as st

from accounts.ledger.core import canonical

texts = st.text() | st.text(st.characters(max_codepoint=0x7F))
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
    max_leaves=12,
)


@given(values)
@example({'\x00\x08\t\n\x0b\x0c\r\x1b\x7f"\\/': ["</script>", "'", -0.0, 1e21, 10**15]})
@example({"b": 1, "a": {"\u20ac": 1, "\r": 2, "\ud83d\ude00": 3, "\ufb33": 4}})
def test_like_the_library_that_implements_the_standard(value):
    # rfc8785 (PyPI) implements RFC 8785, JSON Canonicalization Scheme.
    try:
        expected = rfc8785.dumps(value).decode()
    except (UnicodeEncodeError, ValueError):
        return
    assert canonical(value) == expected
