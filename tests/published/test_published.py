"""percsim against published and exact values: quick here, precise with `-m slow`.

The band is four standard errors of both sides, plus the allowance that `values.toml` grants
with its reason; the computed error itself must be small enough to tell (`LIMITS`), so a
wrong kernel cannot hide behind it.
"""

import tomllib
from pathlib import Path

import pytest
from published.cases import CASES, compute

VALUES = {
    v["id"]: v
    for v in tomllib.loads((Path(__file__).parent / "values.toml").read_text())["value"]
}

# Largest relative standard error, quick and precise; thresholds and volumes unless named.
LIMITS = {"wrap": (0.11, 0.035), "cross": (0.07, 0.02), "fss": (0.08, 0.025)}


def check(name, effort):
    v = VALUES[name]
    e = compute(name, effort)
    band = 4.0 * (e.standard_error**2 + v["uncertainty"] ** 2) ** 0.5
    band += v.get("allowance", 0.0) * abs(v["value"]) + 1e-9 * abs(v["value"])
    assert abs(e.value - v["value"]) <= band, (
        f"{v['system']}, {v['quantity']}: published {v['value']} ({v['source']}), got {e}"
    )
    limits = next((x for key, x in LIMITS.items() if name.startswith(key)), (0.012, 0.004))
    assert e.standard_error <= limits[effort > 1] * abs(v["value"])


def test_every_value_is_computed_and_every_case_has_a_source():
    assert set(CASES) == set(VALUES)
    for v in VALUES.values():
        assert v["source"]
        assert v["provenance"]
        assert v.get("allowance", 0.0) == 0.0 or v["reason"]


@pytest.mark.parametrize("name", list(VALUES))
def test_quick(name):
    check(name, 1)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(VALUES))
def test_precise(name):
    check(name, 10)
