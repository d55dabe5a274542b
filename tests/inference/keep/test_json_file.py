"""Line and column of a value, held against Python's own reading from there."""

import json

from hypothesis import given
from hypothesis import strategies as st

from fiberward.inference.keep.json_file import place_of

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=20,
)


def paths(value, so_far=()):
    """Each way into a value, with what is there."""
    yield so_far, value
    if isinstance(value, dict | list):
        for key, inside in value.items() if isinstance(value, dict) else enumerate(value):
            yield from paths(inside, (*so_far, key))


@given(VALUES, st.sampled_from([None, 1]))
def test_what_stands_at_the_place_is_the_value(value, indent):
    text = json.dumps(value, indent=indent)  # escapes all but ASCII, line ends among them
    lines = text.split("\n")
    for keys, inside in paths(value):
        line, column = place_of(text, keys)
        rest = "\n".join([lines[line - 1][column - 1 :], *lines[line:]])
        assert json.JSONDecoder().raw_decode(rest)[0] == inside


def test_a_key_that_is_not_there_is_told_where_it_should_be():
    text = '{"a": {"b": 1},\n "c": [1, 2]}'
    assert place_of(text, ("a", "x", "y")) == (1, 7)
    assert place_of(text, ("c", 5)) == (2, 7)
    assert place_of(text, ("c", "b")) == (2, 7)
