"""The models themselves: their examples are right, and every required key has one."""

import pytest

from weirwatch.config import models, plant_models
from weirwatch.config.entries import keys_of, parse
from weirwatch.config.rule_models import KINDS, WhileConfig
from weirwatch.config.values import Section

ALL: list[type[Section]] = [
    *(
        model
        for module in (models, plant_models)
        for model in vars(module).values()
        if isinstance(model, type) and issubclass(model, Section) and model is not Section
    ),
    *KINDS.values(),
    WhileConfig,
]


@pytest.mark.parametrize("model", ALL, ids=lambda model: model.__name__)
def test_the_examples_that_messages_give_are_right(model: type[Section]) -> None:
    table = {}
    for name, field in model.model_fields.items():
        if field.examples:
            table[field.alias or name] = field.examples[0]
    if "kind" in keys_of(model) and "kind" not in table:
        table["kind"] = next(word for word, kind in KINDS.items() if kind is model)
    entry, problems = parse(table, model, "x")
    assert problems == []
    assert entry is not None
    assert set(keys_of(model)) == set(table)


@pytest.mark.parametrize("model", ALL, ids=lambda model: model.__name__)
def test_every_key_of_a_wrong_type_is_told_and_the_rest_survives(model: type[Section]) -> None:
    wrong: dict[str, object] = {key: [[{"x": 1}]] for key in keys_of(model) if key != "kind"}
    if "kind" in keys_of(model):
        wrong["kind"] = next((word for word, kind in KINDS.items() if kind is model), "console")
        wrong["kind"] = "sqlite" if model is models.HistoryConfig else wrong["kind"]
    entry, problems = parse(wrong, model, "x")
    told = {problem.where.split(".")[1].split("[")[0] for problem in problems}
    assert told == set(wrong) - {"kind"}
    assert entry is not None
    assert entry.broken == told
