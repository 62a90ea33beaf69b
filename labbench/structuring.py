"""Turn mappings into attrs data and list every mistake on the way. Used through `labbench.files`.

The rules that a field's metadata may state are described there.
"""

from __future__ import annotations

__all__ = ["MistakeError", "MistakesError", "UnstructuredError", "nearest", "structured"]

import difflib
import math
import types
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin

import attrs
from cattrs import Converter
from cattrs.errors import (
    ClassValidationError,
    ForbiddenExtraKeysError,
    IterableValidationError,
    IterableValidationNote,
)
from cattrs.gen import make_dict_structure_fn, override

from labbench.errors import QuantityError
from labbench.quantities import parse_quantity

T = TypeVar("T")
_Hook = Callable[[Any, Any], Any]


class MistakeError(ValueError):
    """Say what is wrong with one value and, where it can be guessed, what was meant."""

    def __init__(self, message: str, *, suggestion: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.suggestion = suggestion


class MistakesError(ValueError):
    """Hold several mistakes of one table: (key within the table, message)."""

    def __init__(self, mistakes: Iterable[tuple[str, str]]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("; ".join(f"{key}: {message}" for key, message in self.mistakes))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Give the known word that is most like this one, or None."""
    by_folded = {_folded(name): name for name in known}
    match = difflib.get_close_matches(_folded(word), by_folded, n=1, cutoff=0.6)
    return by_folded[match[0]] if match else None


class UnstructuredError(Exception):
    """Hold every mistake of a mapping: (key, message, suggestion)."""

    def __init__(self, mistakes: Sequence[tuple[str, str, str | None]]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("; ".join(f"{key}: {message}" for key, message, _ in self.mistakes))


def structured(data: Mapping[str, Any], cls: type[T]) -> T:
    """Make a data class from a mapping; raise UnstructuredError with every mistake at once."""
    try:
        return _CONVERTER.structure(data, cls)
    except (ClassValidationError, MistakeError) as error:
        mistakes = _told(error, "", cls)
    raise UnstructuredError(mistakes)


def _folded(word: str) -> str:
    return word.casefold().replace("-", "_").replace(" ", "_")


def _kind(value: Any) -> str:
    names: list[tuple[type | tuple[type, ...], str]] = [
        (bool, "true or false"), (str, "text"), (int, "a whole number"), (float, "a number"),
        (Mapping, "a table"), (list, "a list"), (datetime, "a date with time"), (date, "a date"),
        (types.NoneType, "null"),
    ]  # fmt: skip
    shown = "" if isinstance(value, Mapping | list) or value is None else f" ({_short(value)})"
    return next((name for kind, name in names if isinstance(value, kind)), "something else") + shown


def _short(value: Any) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else text[:40] + "..."


def _to_float(value: Any, _: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MistakeError(f"must be a number, not {_kind(value)}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise MistakeError(f"must be a finite number, not {_short(number)}")
    return number


def _to_int(value: Any, _: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise MistakeError(f"must be a whole number, not {_kind(value)}")
    return value


def _to_str(value: Any, _: Any) -> str:
    if not isinstance(value, str):
        raise MistakeError(f"must be text, not {_kind(value)}")
    return value


def _to_bool(value: Any, _: Any) -> bool:
    if not isinstance(value, bool):
        raise MistakeError(f"must be true or false, not {_kind(value)}")
    return value


def _to_date(value: Any, _: Any) -> date:
    if not isinstance(value, date) or isinstance(value, datetime):
        raise MistakeError(f"must be a date such as 2026-03-01 without quotes, not {_kind(value)}")
    return value


def _quantity_hook(unit: str, *, plain: bool, many: bool) -> _Hook:
    def one(value: Any, _: Any) -> float | None:
        if plain and isinstance(value, int | float) and not isinstance(value, bool):
            return _to_float(value, None)
        if not isinstance(value, str):
            written = "'20 %'" if unit == "%" else f"'1.5 {unit}'"
            raise MistakeError(f"must be text with its unit, like {written}, not {_kind(value)}")
        try:
            return parse_quantity(value, unit)
        except QuantityError as error:
            raise MistakeError(str(error)) from None

    return _list_hook(one, None) if many else one


def _list_hook(element: _Hook, element_type: Any) -> _Hook:
    def read(value: Any, _: Any) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise MistakeError(f"must be a list, not {_kind(value)}")
        result: list[Any] = []
        errors: list[Exception] = []
        for index, item in enumerate(value):
            try:
                result.append(element(item, element_type))
            except Exception as error:
                error.add_note(IterableValidationNote("", index, element_type))
                errors.append(error)
        if errors:
            raise IterableValidationError("while reading a list", errors, tuple)
        return tuple(result)

    return read


def _single_hook(many: _Hook) -> _Hook:
    def read(value: Any, kind: Any) -> tuple[Any, ...]:
        if isinstance(value, list):
            return cast("tuple[Any, ...]", many(value, kind))
        try:
            return cast("tuple[Any, ...]", many([value], kind))
        except IterableValidationError as error:
            # a single entry has no index to show
            inner = error.exceptions[0]
            inner.__notes__.remove(next(n for n in inner.__notes__ if _is_index(n)))
            raise inner from None

    return read


def _is_index(note: str) -> bool:
    return isinstance(note, IterableValidationNote)


def _mapping_hook(element: _Hook, element_type: Any) -> _Hook:
    def read(value: Any, _: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise MistakeError(f"must be a table, not {_kind(value)}")
        result: dict[str, Any] = {}
        errors: list[Exception] = []
        for name, item in value.items():
            try:
                result[name] = element(item, element_type)
            except Exception as error:
                error.add_note(IterableValidationNote("", name, element_type))
                errors.append(error)
        if errors:
            raise IterableValidationError("while reading a table", errors, dict)
        return result

    return read


def _literal_hook(choices: Sequence[Any]) -> _Hook:
    def read(value: Any, _: Any) -> Any:
        # True == 1: the type must agree as well
        if any(value == choice and type(value) is type(choice) for choice in choices):
            return value
        listed = " or ".join(repr(choice) for choice in choices)
        known = [choice for choice in choices if isinstance(choice, str)]
        near = nearest(value, known) if isinstance(value, str) else None
        raise MistakeError(
            f"must be {listed}, not {_kind(value)}", suggestion=repr(near) if near else None
        )

    return read


def _checked(hook: _Hook, check: Callable[[Any], object]) -> _Hook:
    def read(value: Any, cls: Any) -> Any:
        result = hook(value, cls)
        if result is not None:
            check(result)
        return result

    return read


def _table_hook(cls: type) -> _Hook:
    attrs.resolve_types(cls)
    overrides = {}
    for attribute in attrs.fields(cls):
        meta = attribute.metadata
        hook: _Hook | None = None
        if "read" in meta:
            hook = _reading(meta["read"])
        elif "each" in meta:
            origin = get_origin(attribute.type)
            hook = (_list_hook if origin is tuple else _mapping_hook)(_reading(meta["each"]), None)
        elif "unit" in meta:
            many = any(get_origin(kind) is tuple for kind in _alternatives(attribute.type))
            hook = _quantity_hook(meta["unit"], plain=bool(meta.get("plain")), many=many)
        if meta.get("single"):
            hook = _single_hook(hook or _CONVERTER.get_structure_hook(attribute.type))
        if "check" in meta:
            hook = _checked(hook or _CONVERTER.get_structure_hook(attribute.type), meta["check"])
        overrides[attribute.name] = override(
            rename=_key_of(attribute), struct_hook=hook, omit=bool(meta.get("omit"))
        )
    structured: _Hook = make_dict_structure_fn(
        cls,
        _CONVERTER,
        _cattrs_forbid_extra_keys=True,
        _cattrs_detailed_validation=True,
        **overrides,  # type: ignore[arg-type]
    )

    def read(value: Any, kind: Any) -> Any:
        if not isinstance(value, Mapping):
            raise MistakeError(f"must be a table, not {_kind(value)}")
        return structured(value, kind)

    return read


def _reading(read: Callable[[Any], Any]) -> _Hook:
    def hook(value: Any, _: Any) -> Any:
        try:
            return read(value)
        except QuantityError as error:
            raise MistakeError(str(error)) from None

    return hook


def _alternatives(kind: Any) -> tuple[Any, ...]:
    return get_args(kind) if get_origin(kind) in (Union, types.UnionType) else (kind,)


def _key_of(attribute: attrs.Attribute[Any]) -> str:
    return str(attribute.metadata.get("key", attribute.name))


def _is_made_of(*origins: Any) -> Callable[[Any], bool]:
    def predicate(kind: Any) -> bool:
        return get_origin(kind) in origins

    return predicate


def _make_converter() -> Converter:
    converter = Converter(detailed_validation=True, forbid_extra_keys=True)
    for kind, hook in (
        (float, _to_float), (int, _to_int), (str, _to_str), (bool, _to_bool), (date, _to_date),
    ):  # fmt: skip
        converter.register_structure_hook(kind, hook)
    converter.register_structure_hook_factory(
        _is_made_of(Literal), lambda kind: _literal_hook(get_args(kind))
    )
    converter.register_structure_hook_factory(
        _is_made_of(tuple, list),
        lambda kind: _list_hook(converter.get_structure_hook(get_args(kind)[0]), get_args(kind)[0]),
    )
    converter.register_structure_hook_factory(
        _is_made_of(dict, Mapping),
        lambda kind: _mapping_hook(
            converter.get_structure_hook(get_args(kind)[1]), get_args(kind)[1]
        ),
    )
    converter.register_structure_hook_factory(attrs.has, _table_hook)
    return converter


_CONVERTER = _make_converter()


_Told = tuple[str, str, str | None]


def _told(error: BaseException, key: str, cls: Any) -> list[_Told]:
    """List (key, message, suggestion) for every leaf of a tree of validation errors."""
    if isinstance(error, ClassValidationError):
        with_notes, without = error.group_exceptions()
        keys = {attribute.name: _key_of(attribute) for attribute in attrs.fields(error.cl)}
        needed = {a.name: a.metadata.get("missing") for a in attrs.fields(error.cl)}
        told: list[_Told] = []
        for inner, note in with_notes:
            place = _joined(key, keys[note.name])
            if isinstance(inner, KeyError) and inner.args == (keys[note.name],):
                why = needed[note.name]
                told.append((place, f"missing: {why}" if why else "missing", None))
            else:
                told += _told(inner, place, note.type)
        for inner_error in without:
            told += _told(inner_error, key, error.cl)
        return told
    if isinstance(error, IterableValidationError):
        with_index, without = error.group_exceptions()
        told = []
        for inner, at in with_index:
            index = at.index
            place = f"{key}[{index}]" if isinstance(index, int) else _joined(key, index)
            told += _told(inner, place, at.type)
        for inner_error in without:
            told += _told(inner_error, key, cls)
        return told
    if isinstance(error, ForbiddenExtraKeysError):
        known = [_key_of(a) for a in attrs.fields(error.cl) if not a.metadata.get("omit")]
        return [
            (_joined(key, name), "unknown key", nearest(name, known))
            for name in sorted(error.extra_fields)
        ]
    if isinstance(error, MistakesError):
        return [(_joined(key, name), message, None) for name, message in error.mistakes]
    if isinstance(error, MistakeError):
        return [(key, error.message, error.suggestion)]
    if isinstance(error, ValueError | QuantityError):
        return [(key, str(error), None)]
    raise error  # a mistake of the program, not of the file


def _joined(key: str, name: str) -> str:
    if not name:
        return key
    return f"{key}.{name}" if key else name
