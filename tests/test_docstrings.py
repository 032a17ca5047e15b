"""Docstrings of the public face: whole, and with an example that runs."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import textwrap
from types import ModuleType

import pytest

import fanstats as fs

ROOMS = ("charts", "demo", "formatting", "instruments", "levels", "life")

# Calls a helper that refuses shares beyond 0 to 1, and passes it none but 0 and 1.
NEVER = {"fs.split_both_ways", "fs.instruments.split_both_ways"}


def _public():
    """Every public function and class: of the package itself, and of the modules it names."""
    found = {}
    for name in fs.__all__:
        thing = getattr(fs, name)
        if not isinstance(thing, ModuleType):
            found[f"fs.{name}"] = thing
    for room in ROOMS:
        module = getattr(fs, room)
        for name in module.__all__:
            found[f"fs.{room}.{name}"] = getattr(module, name)
    return {name: thing for name, thing in found.items() if inspect.getdoc(thing)}


PUBLIC = _public()
FUNCTIONS = {name: thing for name, thing in PUBLIC.items() if inspect.isfunction(thing)}
CLASSES = {name: thing for name, thing in PUBLIC.items() if inspect.isclass(thing)}


def sections(thing):
    """Sections of a numpydoc docstring with their text."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}$", inspect.getdoc(thing) or "", flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def described(text):
    """Names that a section of parameters describes."""
    names = re.findall(r"^\*{0,2}(\w+(?:, \*{0,2}\w+)*)\s*(?::|$)", text, flags=re.MULTILINE)
    return {name.strip(" *") for group in names for name in group.split(",")}


def raises_itself(function):
    """Whether the function, or one of its module that it calls, raises this package's error."""
    module = importlib.import_module(function.__module__)
    seen, queue = set(), [function.__name__]
    while queue:
        name = queue.pop()
        thing = getattr(module, name, None)
        if name in seen or not inspect.isfunction(thing) or thing.__module__ != module.__name__:
            continue
        seen.add(name)
        tree = ast.parse(textwrap.dedent(inspect.getsource(thing)))
        for node in ast.walk(tree):
            if isinstance(node, ast.Raise) and "FanstatsError" in ast.dump(node):
                return True
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                queue.append(node.func.id)
    return False


def test_the_whole_public_face_is_walked():
    """Nothing public is without a docstring, and the rooms are there."""
    bare = [name for name in fs.__all__ if not inspect.getdoc(getattr(fs, name))]
    assert bare == []
    assert len(FUNCTIONS) > 80
    assert {name.split(".")[1] for name in FUNCTIONS} >= set(ROOMS)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_parameter_and_what_is_returned_is_described(name):
    """Parameters of the signature stand under Parameters, each of them; Returns is there."""
    function, found = FUNCTIONS[name], sections(FUNCTIONS[name])
    takes = set(inspect.signature(function).parameters)
    assert takes <= described(found.get("Parameters", "")), takes - described(
        found.get("Parameters", "")
    )
    if inspect.signature(function).return_annotation not in (None, "None"):
        assert "Returns" in found or "Yields" in found


@pytest.mark.parametrize("name", sorted(FUNCTIONS.keys() - NEVER))
def test_errors_are_described_where_they_can_come(name):
    """A function that raises the package's error, itself or by its helpers, says when."""
    if raises_itself(FUNCTIONS[name]):
        assert "FanstatsError" in sections(FUNCTIONS[name]).get("Raises", "")


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_has_an_example_that_calls_it(name):
    """The example is one that doctest runs, and it calls what it is about."""
    example = sections(FUNCTIONS[name]).get("Examples", "")
    code = "\n".join(re.findall(r"^(?:>>>|\.\.\.) (.*)$", example, flags=re.MULTILINE))
    assert re.search(rf"\b{FUNCTIONS[name].__name__}\b", code)
    assert "+SKIP" not in code


@pytest.mark.parametrize("name", CLASSES)
def test_every_field_of_a_class_is_described(name):
    """Fields stand under Attributes or Parameters."""
    thing = CLASSES[name]
    found = sections(thing)
    text = "".join(found.get(title, "") for title in ("Attributes", "Parameters"))
    fields = set(getattr(thing, "_fields", ())) | set(getattr(thing, "__dataclass_fields__", ()))
    assert {field for field in fields if not field.startswith("_")} <= described(text) | {
        field for base in thing.__mro__[1:] for field in getattr(base, "__dataclass_fields__", ())
    }
