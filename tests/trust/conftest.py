"""The reference fleets as a fixture, and a fleet of pairs as records."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def reference_fleet() -> ModuleType:
    """The module reference_fleet.py beside this file (also used by the calibration in tests/benchmarks)."""
    spec = importlib.util.spec_from_file_location("reference_fleet", Path(__file__).with_name("reference_fleet.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
