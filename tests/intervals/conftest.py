"""The worked case of the design, and the event-by-event simulation."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from cmkit.intervals.cost import Case


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def events() -> ModuleType:
    """tests/intervals/events.py"""
    return sys.modules.get("events") or _load("events")


@pytest.fixture(scope="session")
def worked() -> Case:
    """The design's worked case (F4): invented numbers, answers from an independent prototype."""
    return Case(
        defect_rate_per_h=1 / 8000, delay_mean_h=1200, delay_shape=2, base_rate=0.08, rate_multiple=6, growth=1,
        noise_floor=0.6, noise_share=0.10, load_share=0.12,
        drift_share=0.15, level=80, change_every_h=2000, residual=0.08, z_alarm=3, acted_share=0.95, sample_cost=60,
        inspect_cost=400,
        planned_cost=12000, failure_cost=60000, false_alarm=0.004, turnaround_h=100,
    )  # fmt: skip
