"""What several test files need: reference values, problem builders, random circuits."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers
from often import NIGHTLY

if TYPE_CHECKING:  # imported where they are used: who starts the workers needs none of them
    import numpy as np
    from numpy.typing import NDArray
    from random_circuits import RandomCircuit

    from oretally.flowsheet import BalanceProblem, Basis, Circuit, Survey

    Floats = NDArray[np.float64]

# before numpy is loaded: on small matrices a second thread only waits, where a worker could work
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# a machine that is busy with something else fails no test, and each run draws the same
settings.register_profile(
    "any machine", deadline=None, derandomize=True, max_examples=100 if NIGHTLY else 40,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip
settings.load_profile("any machine")
# else it draws numbers from the sources of all modules that happen to be loaded: some 20 s to read
# them, and other draws whenever other tests run beside
pytest.MonkeyPatch().setattr(
    providers, "_get_local_constants", lambda: providers._local_constants, raising=False
)
# who starts the tests in the background may ignore Ctrl-C, and what they start would do so too
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session", autouse=True)
def _compiled_once(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Where no byte code may stand beside the sources, what tests start keeps it among theirs.

    Else each of the programs compiles all packages anew, which takes longer than its work.
    """
    if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
        base = tmp_path_factory.getbasetemp()
        shared = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
        os.environ["PYTHONPYCACHEPREFIX"] = str(shared / "pycache")


@pytest.fixture(scope="session", autouse=True)
def _balanced_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    from balanced_once import COMMANDS, PERIODS, balanced_once, period_once, share_in

    base = tmp_path_factory.getbasetemp()
    share_in((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "balances")
    with pytest.MonkeyPatch.context() as patch:
        for module in COMMANDS:
            patch.setattr(f"{module}.reconcile", balanced_once)
        patch.setattr(f"{PERIODS}.balance_period", period_once)
        yield


@pytest.fixture(scope="session")
def reference() -> Callable[[str], dict[str, Any]]:
    """Return a function that reads tests/reference/NAME.json."""
    from published import REFERENCE

    def read(name: str) -> dict[str, Any]:
        document: dict[str, Any] = json.loads((REFERENCE / f"{name}.json").read_text("utf-8"))
        return document

    return read


@pytest.fixture(scope="session")
def linear_problem() -> Callable[..., BalanceProblem]:
    """Return a builder of problems without grades: A F = b, some F measured, any sign."""
    from oretally.flowsheet import BalanceProblem

    def build(
        A: Floats, b: Floats, flow: Floats, sd: Floats, *, signed: bool = True
    ) -> BalanceProblem:
        return BalanceProblem.of_flows(A, flow, sd, source=b, signed=signed)

    return build


@pytest.fixture(scope="session")
def make_survey() -> Callable[..., Survey]:
    """Return a builder of surveys: {stream: (value, sd)} for flows [kg] and analytes [%]."""
    from oretally.flowsheet import Analyte, Basis, Measurement, Survey, parse_unit

    def build(
        flows: dict[str, tuple[float, float]],
        grades: dict[str, dict[str, tuple[float, float]]] | None = None,
        *,
        basis: Basis = Basis.BATCH,
        flow_unit: str = "",
        grade_unit: str = "%",
        title: str = "",
    ) -> Survey:
        unit = parse_unit(flow_unit or ("kg" if basis is Basis.BATCH else "t/h"))
        percent = parse_unit(grade_unit)
        found = [Measurement(s, basis.quantity, v, unit, sd) for s, (v, sd) in flows.items()]
        for name, by_stream in (grades or {}).items():
            found += [Measurement(s, name, v, percent, sd) for s, (v, sd) in by_stream.items()]
        analytes = tuple(Analyte(name, percent) for name in grades or {})
        return Survey(basis, unit, analytes, tuple(found), title)

    return build


@pytest.fixture(scope="session")
def two_products() -> Circuit:
    """Return the circuit of one separator with two products."""
    from oretally.flowsheet import Circuit

    return Circuit.build(
        {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)}
    )


@pytest.fixture(scope="session")
def random_circuit() -> Callable[..., RandomCircuit]:
    """Return the class of random circuits: ``random_circuit(seed, n_nodes, n_analytes)``."""
    from random_circuits import RandomCircuit

    return RandomCircuit
