"""Line and column of a value, held against Python's own reading from there."""

import json
import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from fiberward.inference.keep.json_file import json_values, place_of

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


def test_of_a_file_of_many_documents_one_at_a_time_is_held(tmp_path):
    path = tmp_path / "records.jsonl"
    with path.open("w") as file:
        for k in range(100):
            file.write(json.dumps({"schema": str(k), "text": "x" * 100_000}) + "\n")
    tracemalloc.start()
    try:
        assert [value.line for value in json_values(path)] == list(range(1, 101))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2_000_000  # of 10 MB
