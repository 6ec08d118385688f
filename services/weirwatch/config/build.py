"""From tables without mistakes to settings."""

from collections.abc import Mapping
from pathlib import Path

from weirwatch.config.builtin import builtin_rules, overridden
from weirwatch.config.default_failure import failure_of
from weirwatch.config.derived_checks import constants_of, plant_constants
from weirwatch.config.draft import Draft, PlantDraft
from weirwatch.config.retention import retention_of
from weirwatch.config.rule_models import SystemRuleConfig
from weirwatch.config.suppression import with_implied
from weirwatch.config.work_checks import planned_works
from weirwatch.domain.instant import micros
from weirwatch.domain.rule import Rule
from weirwatch.settings import OutageSettings, PlantSettings, RecipientSettings, Settings

_CONSOLE = RecipientSettings(id="console", kind="console")


def settings_of(draft: Draft, bold: Mapping[str, bool], source: Path) -> Settings:
    """Return the settings of a draft in which nothing is wrong."""
    folder = draft.folder
    plant = plant_of(draft)
    told = plant_constants(plant)
    rules = all_rules(draft, bold)
    first = draft.systems[0].config.id
    recipients = tuple(entry.config.to_domain(folder) for entry in draft.recipients)
    return Settings(
        source=source,
        service=draft.service.config.to_domain(folder),
        broker=draft.broker.config.to_domain(folder),
        web=draft.web.config.to_domain(),
        history=draft.history.config.to_domain(folder, retention_of(draft)),
        systems=tuple(entry.config.to_domain() for entry in draft.systems),
        channels=(
            *(entry.config.to_domain() for entry in draft.channels),
            *(draft.channels_by_id[entry.config.id].config.to_domain() for entry in draft.derived),
        ),
        rules=rules,
        taps=tuple(entry.config.to_domain() for entry in draft.taps),
        recipients=recipients or (_CONSOLE,),
        notice_page=draft.notice.config.page,
        repeat_expires=micros(draft.notice.config.repeat_expires_s),
        heartbeat=draft.heartbeat.config.to_domain(folder),
        rosters=tuple(entry.config.to_domain() for entry in draft.rosters),
        holidays=tuple(entry.config.to_domain() for entry in draft.holidays),
        plant=plant,
        planned_works=planned_works(draft, rules),
        devices=tuple(entry.config.to_domain(rules) for entry in draft.devices),
        jobs=tuple(entry.config.to_domain(first) for entry in draft.jobs),
        supplies=tuple(entry.config.to_domain(first) for entry in draft.supplies),
        calibrate_days={
            entry.config.id: entry.config.calibrate_every_days
            for entry in draft.channels
            if entry.config.calibrate_every_days is not None
        },
        prove_days={
            entry.config.id: entry.config.prove_every_days
            for entry in draft.channels
            if entry.config.prove_every_days is not None
        },
        derived=tuple(
            entry.config.to_domain(constants_of(entry.config, told)) for entry in draft.derived
        ),
    )


def all_rules(draft: Draft, bold: Mapping[str, bool]) -> tuple[Rule, ...]:
    """Return the rules as they will run: the file's in its order, then the built-in ones."""
    own = []
    for _, config in draft.channel_rules():
        failure = failure_of(config, draft.channel(config.channel), bold)
        own.append(config.to_domain(failure, bold=bold[failure]))
    channels = [entry.config.id for entry in draft.channels]
    return with_implied(own, channels) + builtins_of(draft, own)


def builtins_of(draft: Draft, rules: list[Rule] | None = None) -> tuple[Rule, ...]:
    """Return the built-in rules with what the file says of them."""
    changes = {
        entry.config.id: entry.config
        for entry in draft.rules
        if isinstance(entry.config, SystemRuleConfig)
    }
    channels = [entry.config.id for entry in draft.channels if entry.whole("id")]
    builtins = builtin_rules(channels, rules or [])
    return tuple(
        overridden(rule, changes[rule.id]) if rule.id in changes else rule for rule in builtins
    )


def plant_of(draft: Draft) -> PlantSettings | None:
    """Return the plant, or None without one that can be used."""
    return None if draft.plant is None or not draft.systems else _plant(draft.plant, draft)


def _plant(plant: PlantDraft, draft: Draft) -> PlantSettings | None:
    if plant.pump is None:
        return None
    config = plant.plant.config
    return PlantSettings(
        system=config.system or draft.systems[0].config.id,
        vessels=tuple(entry.config.to_domain() for entry in plant.vessels),
        pump=plant.pump.config.to_domain(),
        loops=tuple(entry.config.to_domain() for entry in plant.loops),
        heaters=tuple(entry.config.to_domain() for entry in plant.heaters),
        top_off=None if plant.top_off is None else plant.top_off.config.to_domain(),
        room_degc=config.room_degc,
        loss_w_per_k=config.loss_w_per_k,
        evaporation_l_per_day=config.evaporation_l_per_day,
        salinity=config.salinity,
        outage=OutageSettings() if plant.outage is None else plant.outage.config.to_domain(),
        without=tuple(config.without),
        chiller=None if plant.chiller is None else plant.chiller.config.to_domain(),
        stocking={} if plant.stocking is None else plant.stocking.config.model_dump(),
        reactor={} if plant.reactor is None else plant.reactor.config.model_dump(exclude={"loop"}),
        reactor_loop="reactor" if plant.reactor is None else plant.reactor.config.loop,
    )
