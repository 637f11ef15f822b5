"""fleet.toml: what it may say, and what is refused in which words."""

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import pytest

from cmkit.errors import SettingsError
from cmkit.records.constants import constant, constants, out_of_range
from cmkit.records.reading.load import load_fleet
from cmkit.records.settings import Intervals, default_intervals, default_kinds, parse_settings, read_settings


def test_defaults_and_a_kind_of_the_sites_own() -> None:
    settings = parse_settings(
        {"name": "F", "kinds": {"final drive": {"residual": 0.12}, "winch": {"sealed": True}}}, "fleet.toml"
    )
    assert settings.sampling.service_grid_h == (125, 250, 500, 1000, 2000)
    assert settings.kind("final drive").residual == 0.12
    assert settings.kind("final drive").basis == "site"
    assert settings.kind("final drive").change_every_h == default_kinds()["final drive"].change_every_h
    assert settings.kind("winch").sealed
    assert settings.kind("crane").kind == "crane"
    assert settings.kind("crane").residual == default_kinds()["other"].residual


def test_every_constant_has_its_unit_meaning_and_basis_and_lies_in_its_range() -> None:
    for chapter in ("trust", "intervals", "wear"):
        rows = constants(chapter)
        assert rows.index.is_unique
        assert rows[["unit", "meaning"]].notna().all(axis=None)
        assert set(rows["basis"]) <= {"published", "common practice", "own choice"}
    assert [f.name for f in fields(Intervals)] == constants("intervals").index.tolist()
    assert out_of_range(default_intervals(), "intervals") == []
    with pytest.raises(KeyError):
        constant("intervals", "no such")


@pytest.mark.parametrize("name", [f.name for f in fields(Intervals)])
def test_each_assumption_of_the_intervals_can_be_set(name: str) -> None:
    high = float(constants("intervals").loc[name, "high"])
    settings = parse_settings({"name": "F", "intervals": {name: high}}, "fleet.toml")
    assert settings.intervals == replace(default_intervals(), **{name: high})


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({}, r"fleet.toml: key 'name' is missing"),
        ({"name": 5}, r"fleet.toml: name: found 5, wanted text in quotes"),
        ({"name": "F", "curency": "EUR"}, r"unknown key 'curency'. Did you mean 'currency'\?"),
        ({"name": "F", "zzzz": 1}, r"unknown key 'zzzz'. Known keys: accepted_intervals, "),
        ({"name": "F", "alarm": {"zz": 3}}, r"fleet.toml: \[alarm\]: unknown key 'zz'. Did you mean 'z'\?"),
        ({"name": "F", "alarm": {"z": "high"}}, r"\[alarm\] z: found 'high', wanted a number"),
        ({"name": "F", "alarm": {"z": True}}, r"\[alarm\] z: found True, wanted a number"),
        ({"name": "F", "alarm": 3}, r"\[alarm\]: found 3, wanted a table of settings"),
        ({"name": "F", "alarm": {"alert_share": 0.99}}, r"wanted alert_share < alarm_share, found 0.99 and 0.975"),
        ({"name": "F", "sampling": {"service_grid_h": [250, 125]}}, r"service_grid_h \[250.0, 125.0\] must be rising"),
        ({"name": "F", "sampling": {"service_grid_h": "250"}},
        r"service_grid_h: found '250', wanted a list of numbers"),
        ({"name": "F", "kinds": {"engine": {"residual": 1.5}}},
        r'\[kinds."engine"\] residual: found 1.5, wanted 0 to 1'),
        ({"name": "F", "kinds": {"engine": {"residul": 0.1}}}, r"unknown key 'residul'. Did you mean 'residual'\?"),
        ({"name": "F", "limits": {"engine": {"Fe_ppm": 80}}}, r'\[limits."engine"\] Fe_ppm: found 80, wanted \{ alert '
        r'= number'),
        ({"name": "F", "limits": {"engine": {"Fe_ppm": {"alert": 120.0, "alarm": 80.0}}}}, r"alert 120 lies beyond "
        r"alarm 80 for direction 'up'; exchange them"),
        ({"name": "F", "limits": {"engine": {"Fe_ppm": {"alert": 1, "alarm": 2, "direction": "sideways"}}}},
        r"direction 'sideways', wanted 'up' or 'down'"),
        ({"name": "F", "limits": {"engine": {"Fe_ppm": {"alert": 1}}}}, r"missing alarm"),
        ({"name": "F", "limits": {"engine": {"Fe_pm": {"alert": 1, "alarm": 2}}}}, r"unknown analyte 'Fe_pm'. Did you "
        r"mean 'Fe_ppm'\?"),
        ({"name": "F", "analytes": {"W_ppm": {"rule": "guess"}}}, r"\[analytes.W_ppm\] rule: found 'guess', wanted "
        r"one of rate, level"),
        ({"name": "F", "analytes": {"W_ppm": {"plausible_low": 5, "plausible_high": 2}}}, r"plausible_low 5 is not "
        r"below plausible_high 2"),
        ({"name": "F", "intervals": {"draws": 5}}, r"\[intervals\] draws = 5, wanted 20 to 100000"),
        ({"name": "F", "intervals": {"draw": 500}}, r"unknown key 'draw'. Did you mean 'draws'\?"),
        ({"name": "F", "kinds": 3}, r"\[kinds\]: found 3, wanted a table of settings"),
        ({"name": "F", "limits": {"engine": 3}}, r"\[limits\] engine: found 3, wanted a table of settings"),
        ({"name": "F", "analytes": []}, r"\[analytes\]: found \[\], wanted a table of settings"),
        ({"name": "F", "accepted_intervals": 5}, r"\[accepted_intervals\]: found 5, wanted a table of settings"),
        ({"name": "F", "accepted_intervals": {"engine": "often"}}, r"\[accepted_intervals\] engine: found 'often', "
        r"wanted a number"),
        ({"name": "F", "accepted_intervals": {"engine": -5}}, r"\[accepted_intervals\] engine: found -5, wanted 1 to "
        r"100000"),
    ],
)  # fmt: skip
def test_what_settings_refuse(raw: dict, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        parse_settings(raw, "fleet.toml")


def test_a_file_that_is_no_toml(tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    path.write_text("name = \n")
    with pytest.raises(SettingsError, match=r"not readable as TOML: .*line 1.*Correct that line"):
        read_settings(path)
    with pytest.raises(SettingsError, match=r'A fleet folder needs a fleet.toml with at least a line name = "..."'):
        read_settings(tmp_path / "none.toml")


def test_judge_thresholds_have_the_packages_values_and_a_fleets_own() -> None:
    judge = parse_settings({"name": "x"}, "fleet.toml").judge
    assert (judge.alarm, judge.alert, judge.settle_bottles) == (0.4, 0.15, 1)
    own = parse_settings({"name": "x", "judge": {"alarm": 0.45}}, "fleet.toml").judge
    assert (own.alarm, own.alert) == (0.45, 0.15)


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ({"alarm": 0.1}, r"wanted 0 < alert < alarm < 1, found 0.15 and 0.1"),
        ({"alarm": 1.5}, r"wanted 0 < alert < alarm < 1"),
        ({"alrm": 0.4}, r"\[judge\]: unknown key 'alrm'. Did you mean 'alarm'"),
        ({"good": 0}, r"good = 0, wanted more than 0 and at most 1"),
        ({"settle_bottles": 0}, r"settle_bottles = 0, wanted more than 0"),
        ({"read_days": -1}, r"\[judge\] read_days = -1, wanted 0 or more"),
        ({"turnaround_bottles": 0}, r"\[judge\] turnaround_bottles = 0, wanted more than 0"),
        ({"alarm": "high"}, r"\[judge\] alarm: found 'high', wanted a number"),
    ],
)
def test_judge_thresholds_out_of_range_are_refused(block: dict, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        parse_settings({"name": "x", "judge": block}, "fleet.toml")


def test_costs_count_as_the_fleets_own_when_both_are_given() -> None:
    kinds = {"engine": {"planned_cost": 1.0, "failure_cost": 2.0}, "hydraulic": {"failure_cost": 2.0}}
    assert parse_settings({"name": "x", "kinds": kinds}, "fleet.toml").costs_given == {"engine"}


def test_costs_given_is_no_key_of_the_file() -> None:
    with pytest.raises(SettingsError, match="unknown key 'costs_given'"):
        parse_settings({"name": "x", "costs_given": ["engine"]}, "fleet.toml")


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('[accepted_intervals]\n"WL-01/engin" = 250', r'\[accepted_intervals\] "WL-01/engin": no compartment, .* Did '
        r'you mean "WL-01/engine"\?'),
        ('[accepted_intervals]\n"wl-01/ENGINE" = 250', r'Did you mean "WL-01/engine"\?'),
        ("[accepted_intervals]\nEngine = 250", r'"Engine": no compartment, family or kind of this fleet .* Did you '
        r'mean "engine"\?'),
        ('[kinds."finaldrive"]\nresidual = 0.1', r'\[kinds\] "finaldrive": no kind of compartment of this fleet .* '
        r'Did you mean "final drive"\?'),
        ("[limits.engines]\nFe_ppm = { alert = 80, alarm = 120 }", r'\[limits\] "engines": .* Did you mean "engine"\?'),
        ("[kinds.zzzzzz]\nresidual = 0.1", r'\[kinds\] "zzzzzz": .* Correct it, or remove the line\.'),
    ],
)  # fmt: skip
def test_a_setting_for_a_name_the_fleet_does_not_have_is_refused(
    write: Callable[..., Path], lines: str, words: str
) -> None:
    with pytest.raises(SettingsError, match=words):
        load_fleet(write({"fleet.toml": f'name = "F"\n{lines}\n'}), date(2026, 1, 31))


def test_settings_for_what_the_fleet_has_are_taken_and_all_that_is_not_is_said_at_once(
    write: Callable[..., Path],
) -> None:
    family = load_fleet(write(), date(2026, 1, 31)).compartments["family"].iloc[0]
    right = (
        f'name = "F"\n[accepted_intervals]\n"WL-01/engine" = 250\n"{family}" = 300\ncoolant = '
        f'500\n[limits."{family}"]\nFe_ppm = {{ alert = 80, alarm = 120 }}\n'
    )
    settings = load_fleet(write({"fleet.toml": right}), date(2026, 1, 31)).settings
    assert settings.accepted_intervals == {"WL-01/engine": 250, family: 300, "coolant": 500}
    wrong = right + '[kinds.engnie]\nresidual = 0.1\n[limits."gear box"]\nFe_ppm = { alert = 80, alarm = 120 }\n'
    with pytest.raises(SettingsError) as error:
        load_fleet(write({"fleet.toml": wrong}), date(2026, 1, 31))
    assert len(str(error.value).splitlines()) == 2
