"""What a card must carry, by method and kind. Common practice (no source): each line below names what goes wrong
without it.
"""

import itertools
import re

import pytest

from cmkit.practice.card_texts import card_steps, card_table, card_words
from cmkit.practice.drawing import NO_DRAWING
from cmkit.records.settings import default_kinds

VALUES = {"where": "At the fill plug", "tool": "pump for gear oil", "tube": "cut 350 mm", "purge_ml": "100",
    "times": "5", "dead_ml": "20 ml"}  # fmt: skip
KINDS = sorted(default_kinds())
OIL = [k for k in KINDS if k != "coolant"]
DRIVES = ["final drive", "travel drive"]
EVERY = ["pump", "probe"]
# (methods, kinds, what the card must say, what goes wrong without it)
REQUIRED = [
    (EVERY, KINDS, "At the fill plug", "the wrong compartment is opened"),
    (EVERY, KINDS, "Cleanest system first", "dirt is carried into the clean system"),
    (EVERY, OIL, "orking temperature", "cold fluid has let its metal settle"),
    (EVERY, KINDS, "Level ground", "the level reads wrong and the machine may roll"),
    (EVERY, KINDS, "[Gg]loves and (eye protection|face shield)", "skin and eyes are hurt"),
    (EVERY, DRIVES, "turn the drive to its mark, plug at the level position; let it settle where the maker says so",
    "the plug is below the fluid, or nothing runs"),
    (EVERY, KINDS, "Clean the (area|valve) before you", "dirt falls into the bottle and the compartment"),
    (["pump"], OIL, "open slowly, let it off, never lean over it", "a warm compartment blows hot oil into a face"),
    (["pump"], ["coolant"], "NEVER open a hot system.*Once cold, turn the cap slowly to its first stop, let the "
    "pressure off, never lean over it", "scalding"),
    (["pump"], ["coolant"], "let it cool", "scalding"),
    (["probe"], ["coolant"], "ONLY the valve made and rated for hot coolant; leave the cap closed", "scalding"),
    (["probe"], ["hydraulic", "other"], "ONLY the point recorded as low-pressure.*INJECTION.*skin.*never feel for a "
    "leak by hand.*hospital at once", "oil is injected through the skin"),
    (["probe"], ["transmission", "torque converter"], "[Oo]nly a valve in a low-pressure line.*through skin", "oil is "
    "injected through the skin"),
    (["probe"], KINDS, "never lean over", "a valve that sticks open sprays hot fluid"),
    (EVERY, KINDS, "Note the level before you draw or top up", "a leak is topped up and never seen"),
    (EVERY, [*DRIVES, "differential"], "bottom of the plug's thread", "nobody knows what level is right"),
    (EVERY, KINDS, "Use only the pump for gear oil", "the last fluid is measured in this bottle"),
    (EVERY, KINDS, "Never the drain stream", "what lay at the bottom is measured"),
    (["pump"], KINDS, "New tube, end cut clean: cut 350 mm", "an old tube carries the last sample"),
    (["pump"], KINDS, "to the mark, never to the bottom", "sediment is measured"),
    (["pump"], KINDS, "Pump upright, bottle below it", "fluid runs into the pump"),
    (EVERY, KINDS, "Fill to the line, about four fifths", "a full bottle cannot be shaken"),
    (["pump"], KINDS, "Break the vacuum, then lift the tube", "the pump sucks air and dirt"),
    (["pump"], KINDS, "push it out downwards: no fluid into the pump", "the pump is wet for the next bottle"),
    (EVERY, KINDS, "cap in its bag until", "dust of the air is measured"),
    (["probe"], KINDS, "Run off 100 ml into the waste bottle: 5 times the dead volume of 20 ml", "what stood in the "
    "line is measured"),
    (["probe"], KINDS, "see that the valve closes", "the machine loses its fluid"),
    (["pump"], OIL, "seal ring and replace it", "the plug leaks"),
    (["pump"], ["coolant"], "Look at the cap's seal; replace it where worn", "the system holds no pressure"),
    (["probe"], KINDS, "Look at the valve's seal; replace it where worn. Dust cap on", "the valve leaks, or takes up "
    "dirt"),
    (["pump"], OIL, "Plug to the maker's torque", "the plug comes loose"),
    (["probe"], KINDS, "to the maker's torque", "the plug comes loose"),
    (EVERY, KINDS, "Label the bottle before you leave", "two bottles are exchanged"),
    (EVERY, KINDS, "Send it the same day", "the warning comes too late"),
    (EVERY, OIL, "Fluid cold, point unsafe, or label in doubt: draw nothing", "a bottle nobody can believe, or "
    "somebody hurt"),
    (["pump"], ["coolant"], "still warm or under pressure, point unsafe, or label in doubt: draw nothing", "scalding"),
    (["probe"], ["coolant"], "Not the rated valve, valve damaged, point unsafe, or label in doubt: draw nothing",
    "scalding"),
]  # fmt: skip


def text_of(method: str, kind: str) -> str:
    return " ".join(words for _, _, words in card_words(method, kind, kind == "coolant", VALUES))


@pytest.mark.parametrize(("methods", "kinds", "words", "harm"), REQUIRED, ids=[r[2][:30] for r in REQUIRED])
def test_every_card_carries_what_its_method_and_kind_require(methods, kinds, words, harm) -> None:
    lacking = [(m, k) for m, k in itertools.product(methods, kinds) if not re.search(words, text_of(m, k))]
    assert lacking == [], harm


@pytest.mark.parametrize(
    ("method", "kinds", "words", "harm"),
    [
        ("pump", ["coolant"], "[Ww]orking temperature|idle|[Ww]arm and mixed", "scalding"),
        ("probe", ["coolant"], "[Ww]orking temperature", "scalding"),
        ("pump", KINDS, "Run off|valve closes", "there is no valve at a plug"),
        ("probe", KINDS, "tube|vacuum|Pump upright", "there is no pump at a valve"),
    ],
)
def test_no_card_says_what_does_not_belong_to_it(method, kinds, words, harm) -> None:
    assert [k for k in kinds if re.search(words, text_of(method, k))] == [], harm


def test_without_a_safe_point_there_is_a_request_and_no_step() -> None:
    ((phase, point, words),) = card_words(NO_DRAWING, "hydraulic", coolant=False, values={})
    assert (phase, point) == ("Name a point", "request")
    assert words.startswith("Do not draw.")
    assert "low-pressure under sampling_point" in words


def test_a_kind_nobody_described_has_the_texts_for_any_oil() -> None:
    assert card_steps("pump", "crane winch", coolant=False).equals(card_steps("pump", "swing drive", coolant=False))


def test_every_text_is_on_a_card_and_every_place_in_it_is_filled() -> None:
    """A row that no card uses is a rule that nobody reads."""
    seen = {
        words
        for method, kind in itertools.product([*EVERY, NO_DRAWING], KINDS)
        for words in card_steps(method, kind, kind == "coolant")["words"]
    }
    assert set(card_table()["words"]) - seen == set()
    assert not [k for m, k in itertools.product(EVERY, KINDS) if re.search("[{}]", text_of(m, k))]


def test_the_phases_stand_in_the_order_of_the_work() -> None:
    for method, kind in itertools.product(EVERY, KINDS):
        phases = list(dict.fromkeys(card_steps(method, kind, kind == "coolant")["phase"]))
        assert phases == ["Get ready", "Open", "Draw", "Close", "Stop"]


def test_pressure_is_let_off_before_anything_is_drawn_and_the_level_noted_first() -> None:
    for method, kind in itertools.product(EVERY, KINDS):
        at = list(card_steps(method, kind, kind == "coolant")["point"]).index
        assert at("area") < at("pressure") < at("level") < at("tool") < at("fill") < at("label") < at("send")


def test_only_methods_that_cards_can_have() -> None:
    assert set(card_table()["method"]) == {"any", "pump", "probe", NO_DRAWING}
    assert set(card_table()["basis"]) == {"common practice"}
