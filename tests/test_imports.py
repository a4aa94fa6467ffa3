"""The import arrows are the data arrows: nothing imports sideways or back."""

import ast
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from importlib.util import find_spec
from pathlib import Path

import pytest

import percsim

PACKAGE = Path(next(iter(percsim.__path__)))
ORDER = (
    "errors process units quantities files values packing kernels materials particles "
    "links states network boxes film patches decision plan advice changes "
    "bench_changes improve remarks first_page compare "
    "words jobs reuse findings report result run survey live cli __main__"
).split()
KERNELS_MAY_IMPORT = {"numpy", "numba", "math", "__future__"}
HEAVY = {
    "numba", "scipy", "networkx", "matplotlib", "jinja2", "rich", "typer",
    "pandas", "bokeh", "tornado",
}  # fmt: skip


def modules(package):
    """Every module of a package: dotted name without the package, and its file."""
    for path in sorted(package.rglob("*.py")):
        parts = path.relative_to(package).with_suffix("").parts
        yield ".".join(p for p in parts if p != "__init__"), path


def imports(name, path, package):
    """(line, dotted target, run at import) of each import, relative ones resolved."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {
        id(node)
        for late in ast.walk(tree)
        if isinstance(late, ast.FunctionDef | ast.AsyncFunctionDef)
        or (isinstance(late, ast.If) and "TYPE_CHECKING" in ast.unparse(late.test))
        for node in ast.walk(late)
    }
    own = [package.name, *name.split(".")] if name else [package.name]
    parent = own if path.name == "__init__.py" else own[:-1]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = parent[: len(parent) + 1 - node.level] if node.level else []
            base = ".".join([*base, *([node.module] if node.module else [])])
            targets = [f"{base}.{alias.name}" for alias in node.names]
        else:
            continue
        for target in targets:
            yield node.lineno, target, id(node) not in inside


def faults(package):
    """One line for each import that a module may not have."""
    found = []
    graph = {}
    names = {name for name, _ in modules(package)}
    for name, path in modules(package):
        if not name:
            continue  # the front door lists public names, lazily
        stage = name.split(".")[0]
        if stage not in ORDER:
            found.append(f"{name}: not in the order of stages")
            continue
        for line, target, at_import in imports(name, path, package):
            where = f"{name}:{line} imports {target}"
            top, _, rest = target.partition(".")
            if top != package.name:
                if stage == "kernels" and path.name != "__init__.py":
                    if top not in KERNELS_MAY_IMPORT:
                        found.append(f"{where}: kernels are closed")
                if top == "matplotlib" and (stage != "report" or at_import):
                    found.append(f"{where}: only inside functions of report")
                if at_import and target.startswith("scipy.stats"):
                    found.append(f"{where}: slow, import it inside a function")
                continue
            other = rest.split(".")[0]
            if other == "__version__":
                continue
            if other not in ORDER:
                if ORDER.index(stage) < ORDER.index("run"):
                    found.append(f"{where}: name the module it comes from")
            elif ORDER.index(other) > ORDER.index(stage):
                found.append(f"{where}: {other} comes after {stage}")
            elif stage == "kernels" and other != "kernels":
                found.append(f"{where}: kernels are closed")
            # an import that waits, or is for types alone, closes a circle as well; only
            # the checks of a plan name the type of the plan that calls them
            module = rest if rest in names else rest.rpartition(".")[0]
            counts = at_import or stage != "plan"
            if counts and module and module != name and module in names:
                graph.setdefault(name, set()).add(module)
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        found.append(f"circular: {' -> '.join(error.args[1])}")
    return found


def test_import_order_is_kept():
    assert faults(PACKAGE) == []


def test_the_order_is_looked_at():
    assert {name for name, _ in modules(PACKAGE)} >= {
        "errors",
        "particles.box",
        "links.search",
    }


@pytest.mark.parametrize(
    ("files", "fault"),
    [
        (
            {"links/search.py": "from pack.network.laws import X"},
            "network comes after links",
        ),
        (
            {"links/search.py": "def f():\n    from ..network import laws"},
            "network comes after",
        ),
        ({"links/search.py": "from pack import Plan"}, "name the module it comes from"),
        ({"units.py": "import pack"}, "name the module it comes from"),
        ({"kernels/graph.py": "from pack.errors import E"}, "kernels are closed"),
        ({"kernels/graph.py": "import scipy.sparse"}, "kernels are closed"),
        ({"links/search.py": "import matplotlib.pyplot as plt"}, "only inside functions"),
        ({"links/search.py": "def f():\n    import matplotlib"}, "only inside functions"),
        ({"report/figures.py": "from matplotlib import pyplot"}, "only inside functions"),
        ({"report/a.py": "if 1:\n    import matplotlib"}, "only inside functions"),
        ({"links/search.py": "from scipy import stats"}, "slow"),
        ({"helpers.py": ""}, "not in the order"),
        (
            {
                "film/a.py": "from pack.film import b",
                "film/b.py": "from pack.film.a import x",
            },
            "circular",
        ),
        (
            {
                "film/a.py": "from pack.film import b",
                "film/b.py": "from pack.film import c",
                "film/c.py": "def f():\n    from .a import x",
            },
            "circular",
        ),
        (
            {
                "film/a.py": "if TYPE_CHECKING:\n    from pack.film.b import X",
                "film/b.py": "from pack.film.a import x",
            },
            "circular",
        ),
        (
            {
                "kernels/graph.py": "from numba import njit\nfrom .other import f",
                "kernels/other.py": "import numpy as np",
                "kernels/__init__.py": "import hashlib, os",
                "report/figures.py": "def f():\n    from matplotlib import pyplot",
                "report/a.py": "if TYPE_CHECKING:\n    import matplotlib",
                "cli.py": "import pack\nfrom pack import __version__, run",
                "film/a.py": "import pack.links.search\ndef f():\n    import scipy.stats",
                "film/b.py": "from pack.film.a import x\nfrom pack.film import a",
            },
            None,
        ),
    ],
)
def test_the_check_finds_faults(tmp_path, files, fault):
    for name, text in files.items():
        path = tmp_path / "pack" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    found = faults(tmp_path / "pack")
    assert found == [] if fault is None else len(found) == 1
    assert fault is None or fault in found[0]


def loaded_after(code):
    """Top-level names of the modules that are loaded after some code, in a new process."""
    code += "\nimport sys; print(*sorted(sys.modules))"
    ended = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, check=True, cwd=PACKAGE.parent,
    )  # fmt: skip
    return set(ended.stdout.split())


def test_import_percsim_is_light():
    loaded = loaded_after("import percsim")
    assert "percsim" in loaded
    assert loaded & HEAVY == set()


def test_no_module_loads_matplotlib_or_scipy_stats():
    served = [] if find_spec("tornado") else ["live.address", "live.server"]
    left_out = {"__main__", *served}
    names = [f"percsim.{n}" for n, _ in modules(PACKAGE) if n and n not in left_out]
    loaded = loaded_after("\n".join(f"import {name}" for name in names))
    assert loaded >= set(names)
    assert loaded & {"matplotlib", "scipy.stats"} == set()


def test_a_decision_loads_neither_numba_nor_a_plotting_library():
    """A folder that knows answers at once: nothing is compiled, solved or drawn."""
    loaded = loaded_after(
        "import percsim.advice, percsim.boxes.store, percsim.plan, percsim.words.first"
    )
    assert "percsim.decision.decide" in loaded
    assert loaded & (HEAVY - {"scipy", "networkx"}) == set()
