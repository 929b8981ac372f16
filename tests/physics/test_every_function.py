"""No formula goes without a docstring, units and a check. The list is derived from the package."""

import ast
import importlib
import inspect
import pkgutil
from pathlib import Path

import pytest

import acoustics.physics

HERE = Path(__file__).parent


def public_functions():
    for info in pkgutil.iter_modules(acoustics.physics.__path__):
        if info.name.startswith("_"):
            continue
        module = importlib.import_module(f"acoustics.physics.{info.name}")
        for name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not name.startswith("_"):
                yield pytest.param(function, id=f"{info.name}.{name}")


def functions_used_in_tests():
    """Names that a test, or a table of a test file, uses: an import alone does not count."""
    files = [*HERE.glob("test_*.py"), *(HERE.parent / "published").glob("test_*.py")]
    return {
        node.id
        for file in files
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Name)
    }


USED = functions_used_in_tests()


@pytest.mark.parametrize("function", list(public_functions()))
def test_has_a_docstring_with_units_and_a_check(function):
    assert function.__name__ in USED, "no test in tests/physics or tests/published uses it"
    text = inspect.getdoc(function) or ""
    assert len(text.splitlines()[0]) > 20
    if "Parameters\n" in text:
        assert "[" in text and "]" in text, "units stand in square brackets"
        missing = [name for name in inspect.signature(function).parameters if name not in text]
        assert not missing, f"{missing} are not explained"


def test_there_is_something_to_check():
    assert len(list(public_functions())) > 20
