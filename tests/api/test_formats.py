"""What lasts is written into an answer as if it had been written with it."""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from rest_framework.renderers import JSONRenderer

from fleet.api.formats import GAP, Renderer
from fleet.lasting import Lasting

VALUES: tuple[Any, ...] = (
    [{"text": 'a "quoted" \\ line\u2028 and \u00e9', "n": 1.5}, None, True],
    (),
    {"on": date(2026, 1, 2)},
    "%s",
)


def answer(values: Any) -> dict[str, Any]:
    first, second, third, fourth = values
    return {"rows": [{"a": first, "b": 1}, second, [third, first]], "next": {"x": fourth}, "é": "é"}


@pytest.mark.parametrize("media_type", ["application/json", "application/json; indent=4", None])
def test_an_answer_is_byte_for_byte_as_written_in_one(media_type: str | None) -> None:
    lasting = [Lasting(lambda value=value: value) for value in VALUES]
    whole = JSONRenderer().render(answer(VALUES), media_type)
    for _ in range(2):
        assert Renderer().render(answer(lasting), media_type) == whole
    assert Renderer().render(answer(VALUES), media_type) == whole
    assert GAP.encode() not in whole


def test_it_is_written_once() -> None:
    made: Iterator[int] = iter([1])
    once = Lasting(lambda: {"n": next(made)})
    assert json.loads(Renderer().render([once, once])) == [{"n": 1}, {"n": 1}]
    assert Renderer().render([once]) == b'[{"n":1}]'


def test_alone_and_none(  # as an answer without a body
) -> None:
    assert Renderer().render(Lasting(lambda: [1])) == b"[1]"
    assert Renderer().render(None) == b""


def test_what_is_no_data_is_refused_as_ever() -> None:
    with pytest.raises(TypeError, match="not JSON serializable"):
        Renderer().render({"x": object()})
