"""The shape of the package, read from its sources."""

import ast
import enum
import importlib
import inspect
import re
from collections.abc import Mapping
from pathlib import Path
from types import FunctionType

import pytest

import nf2ff

PACKAGE = Path(nf2ff.__file__).parent
#: The one import rule: a file imports from its own package and from those before it here.
PACKAGES = [
    "messages",
    "kernel",
    "antenna",
    "measurement",
    "solver",
    "metrics",
    "power_only",
    "uncertainty",
    "diagnostics",
    "ranges",
    "planning",
    "io",
    "report",
    "cli",
]
#: Imported by files of one package alone.
HOMES = {
    "ducc0": "kernel",
    "cupy": "kernel",
    "pyshtools": "power_only",
    "h5py": "io",
    "matplotlib": "report",
    "jinja2": "report",
    "plotly": "report",
    "click": "cli",
}
#: Slow to import, or perhaps not installed, so only inside the functions that use them.
SLOW = {"cupy", "matplotlib", "pyshtools", "scipy.stats", "scipy.sparse", "jinja2", "plotly"}
#: Dotted name of each module to its file, and below to its tree; a package by its own name.
PATHS = {
    ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix("__init__").strip("."): path
    for path in sorted(PACKAGE.rglob("*.py"))
}


class Trees(Mapping):
    """Each is made when first asked for: what only collects tests needs few."""

    def __init__(self):
        self.made = {}

    def __getitem__(self, name):
        if name not in self.made:
            self.made[name] = ast.parse(PATHS[name].read_text(encoding="utf-8"))
        return self.made[name]

    def __iter__(self):
        return iter(PATHS)

    def __len__(self):
        return len(PATHS)


TREES = Trees()


def imports(tree, *, top_only=False):
    """Dotted names of what a module imports; ``from a import b`` gives a and a.b."""
    nodes = at_import(tree) if top_only else ast.walk(tree)
    names = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names |= {node.module, *(f"{node.module}.{a.name}" for a in node.names)}
    return names


def at_import(tree):
    """Statements that run when the module is imported: not in functions, nor for type checkers."""
    todo = list(tree.body)
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            todo += node.orelse
            continue
        yield node
        todo += ast.iter_child_nodes(node)


def own(tree):
    """Modules of nf2ff that a module imports, packages above them left out."""
    found = {n.removeprefix("nf2ff.") for n in imports(tree) if n.startswith("nf2ff.")} & set(TREES)
    return {n for n in found if not any(other.startswith(n + ".") for other in found)}


def package_of(name):
    return name.partition(".")[0]


#: Dotted names of the files of each package.
FILES_OF = {package: [name for name in TREES if package_of(name) == package] for package in PACKAGES}


def uses(tree, library, **more):
    return any(n == library or n.startswith(library + ".") for n in imports(tree, **more))


def test_the_walk_sees_what_it_should():
    # The functions above, on a source that breaks every rule they serve.
    tree = ast.parse(
        "import ducc0.sht\n"
        "from nf2ff.solver import problem, solve\n"
        "from nf2ff.io.native import read_samples\n"
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    import matplotlib\n"
        "try:\n    import scipy.stats\nexcept ImportError:\n    pass\n"
        "def f():\n    import h5py\n    from nf2ff.metrics import beam\n"
        "class A:\n    from scipy import sparse\n"
    )
    assert own(tree) == {"solver.problem", "solver.solve", "io.native", "metrics.beam"}
    for library in ("ducc0", "matplotlib", "scipy.stats", "h5py", "scipy.sparse"):
        assert uses(tree, library)
        assert uses(tree, library, top_only=True) == (library not in ("matplotlib", "h5py"))


def test_every_file_has_a_package():
    alone = {name for name in TREES if "." not in name} - set(PACKAGES)
    assert alone == {"", "__main__"}
    assert {package_of(name) for name in TREES} - alone == set(PACKAGES)


def test_developers_md_lists_the_packages():
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("| package | answers |\n|---|---|\n")[2].partition("\n\n")[0]
    assert re.findall(r"^\| `(\w+)` \|", table, flags=re.MULTILINE) == PACKAGES


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_up(package):
    above = PACKAGES[: PACKAGES.index(package) + 1]
    for name in FILES_OF[package]:
        down = {other for other in own(TREES[name]) if package_of(other) not in above}
        assert not down, f"{name} imports {', '.join(down)}"
        # The whole package is for those on top of it.
        assert "nf2ff" not in imports(TREES[name]) or package == "cli", name


def test_no_circle_among_files():
    left = {name: own(tree) - {name} for name, tree in TREES.items() if name}
    while left:
        free = {name for name, needs in left.items() if not needs & set(left)}
        assert free, f"{sorted(left)} import each other in a circle"
        left = {name: needs for name, needs in left.items() if name not in free}


@pytest.mark.slow
@pytest.mark.parametrize("library", HOMES)
def test_libraries_have_one_home(library):
    users = {package_of(name) for name, tree in TREES.items() if uses(tree, library)}
    assert users == {HOMES[library]}


def test_slow_libraries_wait_until_they_are_used():
    for name, tree in TREES.items():
        assert not [library for library in SLOW if uses(tree, library, top_only=True)], name


def public(tree):
    """Public functions, classes, methods and properties of a module."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                for part in node.body:
                    if isinstance(part, ast.FunctionDef) and not part.name.startswith("_"):
                        yield part


def test_public_names_are_documented():
    for name, tree in TREES.items():
        assert ast.get_docstring(tree), name
        assert not [node.name for node in public(tree) if not ast.get_docstring(node)], name


def test_files_stay_short():
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in PACKAGE.rglob("*.py")}
    assert not {path: length for path, length in lengths.items() if length > 450}


def test_the_library_does_not_print():
    for name, tree in TREES.items():
        calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and package_of(name) != "cli"]
        assert not [c.lineno for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"], name


#: A fixed number of decimals in a format, without the z that takes the minus sign from what rounds to zero.
SIGNED_ZERO = re.compile(r":[-+ ]?\d*\.(?:\d+|\{[\w.]+\})f\}")


def test_no_minus_sign_stands_before_nothing():
    signed = [bool(SIGNED_ZERO.search(x)) for x in ("{x:+.1f}", "{x:9.{n}f}", "{x:+z.1f}", "{x:z9.{n}f}")]
    assert signed == [True, True, False, False]
    assert not [x for x in PACKAGE.rglob("*.py") if SIGNED_ZERO.search(x.read_text(encoding="utf-8"))]
    # On the page one function does it.
    assert sum(x.read_text(encoding="utf-8").count("toFixed") for x in PACKAGE.rglob("*.js")) == 1


def test_names_of_the_package_are_where_it_says():
    for name in nf2ff.__all__:
        assert getattr(nf2ff, name) is not None
    assert {"solve", "far_field", "read_samples", "read_probe", "directivity"} <= set(nf2ff.__all__)
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        nf2ff.nothing  # noqa: B018
    assert "solve" in dir(nf2ff)


#: A line of a package's docstring: a file of it, and the names in that file which users call.
LISTED = re.compile(r"^([\w.]+) : (\w+(?:,\s+\w+)*)$", flags=re.MULTILINE)


def listed(text):
    """File and name of all that a package's docstring says is public."""
    return [(file, name) for file, names in LISTED.findall(text) for name in re.split(r",\s+", names)]


#: Module and name of all that is public.
PUBLIC = [
    (f"{package}.{file}", name)
    for package in sorted(TREES)
    if package and PATHS[package].stem == "__init__" and package_of(package) not in ("kernel", "cli")
    for file, name in listed(ast.get_docstring(TREES[package]) or "")
]


def faults_of(thing):
    """What the docstring of a public function or class lacks."""
    if not isinstance(thing, type | FunctionType) or (
        isinstance(thing, type) and issubclass(thing, enum.Enum)
    ):
        return []
    text = inspect.getdoc(thing) or ""
    sections = dict(
        re.findall(r"^(\w[\w ]*)\n-+\n(.*?)(?=^\w[\w ]*\n-+\n|\Z)", text, flags=re.MULTILINE | re.DOTALL)
    )
    heads = re.findall(r"^[\w*][\w*, ]*", sections.get("Parameters", ""), flags=re.MULTILINE)
    told = {name.strip(" *") for head in heads for name in head.split(",")}
    signature = inspect.signature(thing)
    faults = [f"{name} is not among its Parameters" for name in signature.parameters if name not in told]
    faults += [f"{name} is no parameter" for name in sorted(told - set(signature.parameters))]
    returns = signature.return_annotation not in ("None", "NoReturn", None)
    if not isinstance(thing, type) and returns and not {"Returns", "Yields"} & set(sections):
        faults.append("has no Returns")
    return faults if text else ["has no docstring"]


def test_the_reader_of_docstrings_sees_what_it_should():
    assert listed("One : sentence.\n\nbeam : Peak, peak,\n    cut_planes\nlevel : trp") == [
        ("beam", "Peak"),
        ("beam", "peak"),
        ("beam", "cut_planes"),
        ("level", "trp"),
    ]

    def good(first: int, *rest: int, last: int) -> "int":
        """Sum.

        Parameters
        ----------
        first, last : int
            Two numbers.
        *rest
            More, as
            other : numbers.

        Returns
        -------
        int
            Their sum.
        """

    def thin(first: int) -> "int":
        """Parameters and what is returned are missing: first."""

    def stale(first: int) -> "None":
        """A name that is gone.

        Parameters
        ----------
        first, second : int
            Two numbers.
        """

    assert faults_of(good) == []
    assert faults_of(thin) == ["first is not among its Parameters", "has no Returns"]
    assert faults_of(stale) == ["second is no parameter"]
    assert faults_of(lambda: None) == ["has no docstring"]


@pytest.mark.parametrize("package", [p for p in PACKAGES if p not in ("kernel", "cli")])
def test_packages_say_what_is_public(package):
    text = ast.get_docstring(TREES[package])
    assert listed(text) or [name for name, _ in PUBLIC if name.startswith(f"{package}.")]
    # Every line after the sentence is understood, and every file is named once.
    lines = [re.sub(r"\s+", " ", x) for x in re.split(r"\n(?! )", text.partition("\n\n")[2]) if x]
    assert all(LISTED.fullmatch(line) for line in lines)
    assert len({line.partition(" : ")[0] for line in lines}) == len(lines)


def made_in(tree):
    """Names that a module makes itself, and does not bring from elsewhere."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Assign):
            yield from map(ast.unparse, node.targets)
        elif isinstance(node, ast.AnnAssign):
            yield ast.unparse(node.target)


@pytest.mark.parametrize("package", [p for p in PACKAGES if p not in ("kernel", "cli")])
def test_public_names_tell_their_parameters(package):
    names = [(module, name) for module, name in PUBLIC if package_of(module) == package]
    assert names
    for module, name in names:
        assert not faults_of(getattr(importlib.import_module(f"nf2ff.{module}"), name)), (module, name)
        assert name in made_in(TREES[module]), (module, name)


def test_what_the_package_exports_is_public():
    for name in nf2ff.__all__:
        homes = [importlib.import_module(f"nf2ff.{module}") for module, other in PUBLIC if other == name]
        assert getattr(nf2ff, name) in [getattr(home, name) for home in homes], name
