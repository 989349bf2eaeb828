"""The house rules, enforced: the order of the rooms, sizes of bodies and modules, a light import."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "fragkit"

LEAVES = ("errors", "units", "card", "sketch", "frozen", "opencv", "threads", "turning", "on_use", "parcel", "crew")
ROOMS = (
    "survey",
    "rectify",
    "net",
    "motifs",
    "lattice",
    "colour",
    "placing",
    "technique",
    "layout",
    "setting_out",
    "works",
    "plot",
    "record",
    "study",
    "notebook",
    "cli",
)
SIMULATE_MAY_IMPORT = ("survey", "rectify", "placing", "simulate", *LEAVES)
LAZY_TABLES = ("fragkit/__init__.py", "fragkit/cli.py")

MAX_MODULE_LINES = 500
MAX_BODY_LINES = 60
MAX_ARGUMENTS = 6
FORBIDDEN_NAMES = ("utils", "util", "misc", "helpers", "common")
SAMPLE = ROOT / "sample_images" / "orrowby"
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "fragkit",
    "notebooks",
    "tests",
    "sample_images",
    "LICENSE",
}

MODULES = sorted(PACKAGE.rglob("*.py"))


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imported_rooms(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            names.update(f"{module}.{alias.name}" if module == "fragkit" else module for alias in node.names)
    return {name.split(".")[1] for name in names if name.startswith("fragkit.")}


def _relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _functions(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    return [n for n in ast.walk(_tree(path)) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_a_room_imports_only_earlier_rooms_and_leaves(path):
    room = _room(path)
    if room in ("__init__", "__main__"):
        return
    imported = _imported_rooms(path) - {"__version__"}
    if room == "simulate":
        allowed = set(SIMULATE_MAY_IMPORT)
    elif room in LEAVES:
        allowed = set(LEAVES)
    else:
        assert room in ROOMS, f"{_relative(path)} is neither a room nor a leaf"
        allowed = set(LEAVES) | set(ROOMS[: ROOMS.index(room) + 1])
    assert imported <= allowed, f"{_relative(path)} imports {sorted(imported - allowed)}, which come later"


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_imports_stand_at_the_top_and_none_is_a_star(path):
    tree = _tree(path)
    stars = [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.names[0].name == "*"]
    assert not stars, f"star import in {_relative(path)}"
    if _relative(path) in LAZY_TABLES:
        return
    inside = [
        n.lineno
        for function in _functions(path)
        for n in ast.walk(function)
        if isinstance(n, ast.Import | ast.ImportFrom)
    ]
    assert not inside, f"{_relative(path)} imports inside a function at lines {inside}"


@pytest.mark.parametrize("path", MODULES, ids=_relative)
def test_sizes(path):
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= MAX_MODULE_LINES, f"{_relative(path)} has {lines} lines"
    for function in _functions(path):
        body = function.body[1:] if ast.get_docstring(function) else function.body
        if body:
            length = (body[-1].end_lineno or 0) - body[0].lineno + 1
            assert length <= MAX_BODY_LINES, f"{_relative(path)}:{function.lineno} {function.name} has {length} lines"
        arguments = [a.arg for a in function.args.posonlyargs + function.args.args + function.args.kwonlyargs]
        count = len([name for name in arguments if name not in ("self", "cls")])
        assert count <= MAX_ARGUMENTS, f"{_relative(path)}:{function.lineno} {function.name} takes {count} arguments"


def test_names_say_what_is_inside():
    bad = [_relative(path) for path in MODULES if path.stem in FORBIDDEN_NAMES or path.parent.name in FORBIDDEN_NAMES]
    assert not bad


def test_the_top_level_is_fixed():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


@pytest.mark.parametrize(
    ("what", "heavy"),
    [
        ("import fragkit", ("matplotlib", "anywidget", "cv2", "scipy", "skimage")),
        (f"from fragkit.survey import read_survey; read_survey({str(SAMPLE)!r})", ("matplotlib", "scipy.optimize")),
    ],
    ids=["import", "check"],
)
def test_nothing_heavy_is_loaded_before_it_is_used(what, heavy):
    code = f"import sys; {what}; print([m for m in {heavy} if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip() == "[]"


def test_every_public_name_resolves():
    code = "import fragkit; [getattr(fragkit, name) for name in fragkit.__all__]; print(len(fragkit.__all__))"
    out = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True).stdout
    assert int(out) > 20


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.name)
def test_notebooks_carry_no_output_and_define_no_function(path):
    notebook = json.loads(path.read_text(encoding="utf-8"))
    assert "widgets" not in notebook["metadata"]
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []
            assert cell["execution_count"] is None
            tree = ast.parse("".join(line for line in cell["source"] if not line.startswith("%")))
            assert not any(isinstance(n, ast.FunctionDef | ast.Lambda) for n in ast.walk(tree))
