"""Every text of a value replaced by a hostile one, whatever the value is: what pages are given, at its worst."""

from __future__ import annotations

import dataclasses
import types
import typing
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel

EVIL = (
    "</script><script>window.__ran=1</script></title></style><img src=x onerror=window.__ran=1>\"'"
    " onmouseover=window.__ran=1 x=` {{ 7*7 }} {% raw %} --><svg onload=window.__ran=1> ]]> &lt;script&gt;"
    " javascript:window.__ran=1 [red]r[/red][link=http://example.invalid]l[/link] $\\frac{1}{0}$ $x_"
    " ;}*{background:url(http://example.invalid/x)} \u202edesrever \u2028 \x1b[31mred\x07 \x00 \r\n\t"
    " ../../x C:\\CON \u6c34\u3000\u0645 \U0001f600 %s %n {0}"
)


def poisoned(value: Any, evil: str = EVIL) -> Any:
    """A copy of ``value`` in which every text that may be any text is ``evil``.

    What is one of a few words (``Literal``), a number, a time or an array stays. Where a form refuses hostile texts,
    it is passed by: a page must not rely on it.
    """
    return _poisoned(value, type(value), evil)


def _poisoned(value: Any, form: Any, evil: str) -> Any:
    origin = get_origin(form)
    if origin is Literal:
        return value
    if origin in (Union, types.UnionType):
        return _poisoned(value, _fitting(value, get_args(form)), evil)
    if isinstance(value, str):
        return evil
    if isinstance(value, tuple | list):
        inner = get_args(form) or (Any,)
        each = [inner[0]] * len(value) if len(inner) < 2 or inner[1] is ... or len(inner) != len(value) else list(inner)
        return type(value)(
            _poisoned(one, type(one) if f is Any or isinstance(f, typing.TypeVar) else f, evil)
            for one, f in zip(value, each, strict=True)
        )
    if isinstance(value, BaseModel):
        hints = {name: field.annotation for name, field in type(value).model_fields.items()}
        return value.model_copy(update={n: _poisoned(getattr(value, n), f, evil) for n, f in hints.items()})
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        copy = object.__new__(type(value))
        hints = get_type_hints(type(value))
        for field in dataclasses.fields(value):
            object.__setattr__(
                copy, field.name, _poisoned(getattr(value, field.name), hints[field.name], evil)
            )  # not through the constructor, which checks
        return copy
    return value


def _fitting(value: Any, forms: tuple[Any, ...]) -> Any:
    """Which of several forms a value has: a literal before free text."""
    for form in forms:
        if get_origin(form) is Literal and value in get_args(form):
            return form
    for form in forms:
        kind = get_origin(form) or form
        if isinstance(kind, type) and isinstance(value, kind):
            return form
    return type(value)
