"""Settings: what a regulator or an operator sets in the rules without touching the rule files.

A settings file names rules by their ids and sets their level, limits, season and so on; later files override earlier
ones. It is checked as strictly as a rule file, and can't make a rule ask something else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag, ValidationError

from audit.errors import AuditError
from audit.forms import FORMS, form_of
from audit.intake.export import InputFile
from audit.intake.small_files import read_file
from audit.language.events import Season, SeasonByBase, month_days, season_text
from audit.language.rule import Rule
from audit.language.values import Text
from audit.rulebook.in_force import limited_to_its_days
from audit.rulebook.loading import Rulebook, Setting, SetValue
from audit.rulebook.worded import worded
from audit.yaml.faults import MOST_FAULTS, Part, as_model, did_you_mean, explained, known_keys, quoted
from audit.yaml.source import KeyPath, Source, read_source, shortened, written

NONE = "none"
"""Takes a value away."""

SEASONS: Mapping[str, Season] = {
    "northern": Season.model_validate({"from": "10-01", "to": "04-30"}),
    "southern": Season.model_validate({"from": "04-01", "to": "10-31"}),
}
"""The icing seasons of the hemispheres that every settings file may name. Common practice, no source."""

Histories = dict[str, tuple[SetValue, ...]]
"""By key, all that a value of a rule was: first the rule file's, last the one in force."""

_NamedSeason = Annotated[
    Annotated[str, Tag("name")] | Annotated[Season, Tag("days")],
    Discriminator(lambda value: "name" if isinstance(value, str) else "days"),
]


class Base(Part):
    """Aircraft stationed together, and the season there: its name, or its first and last day."""

    season: _NamedSeason
    aircraft: tuple[Text, ...] = Field(min_length=1)


class SettingsFile(Part):
    """Who sets values, by what authority, and which."""

    set_by: Text
    source: Text
    seasons: Mapping[str, Season] = {}
    bases: Mapping[str, Base] = {}
    rules: Mapping[str, Mapping[str, Any]] = {}


@dataclass(frozen=True)
class Settings:
    """A settings file that has been read."""

    file: InputFile
    content: SettingsFile
    source: Source


Layer = tuple[Settings, Mapping[str, Season]]
"""Settings with the seasons that they may name: their own, those of earlier files, and the tool's."""


@dataclass(frozen=True)
class _Stationed:
    """Where the settings have an aircraft stationed, and the season there."""

    base: str
    season: Season
    layer: Settings


def settable_keys() -> tuple[str, ...]:
    """What can be set, each where the rule's form has it."""
    return tuple(dict.fromkeys(("level", *(key for form in FORMS.values() for key in form.settable))))


def read_settings(path: Path) -> Settings:
    """Read a settings file. AuditError has a line for each fault: file, line, path, what was expected."""
    content, file = read_file(path, path.name)
    source = read_source(content, str(path))
    return Settings(file, as_model(source, SettingsFile, "settings with set_by, source, rules and so on"), source)


def with_settings(rulebook: Rulebook, files: Sequence[Settings]) -> Rulebook:
    """Let settings override the rules as loaded, the last file first, and say of every value where it comes from.

    The season of an aircraft's base overrides the rule's. AuditError has a line for each fault.
    """
    rules = {rule.id: rule for rule in rulebook.rules}
    layers: list[Layer] = []
    faults: list[str] = []
    seasons = SEASONS
    for layer in files:
        faults += _sentences(layer, _misfits(layer.content, rules, seasons))
        seasons = {**seasons, **layer.content.seasons}
        layers.append((layer, seasons))
    if faults:
        raise AuditError(*faults)
    stationed = _stationed(layers)
    changed: list[Rule] = []
    settings: list[Setting] = []
    for rule, file, text in zip(rulebook.rules, rulebook.rule_files, rulebook.written, strict=True):
        values: Histories = {
            key: (SetValue(value, "rule file", "", file.name),) for key, value in settable_values(rule, text).items()
        }
        try:
            changed_rule = _overridden(rule, text, layers, values)
        except AuditError as error:
            faults.extend(error.args)
            continue
        season = getattr(changed_rule, "season", None)
        if season is not None and stationed:
            values |= _season_at_bases(values["season"], stationed)
            by_aircraft = {aircraft: at.season for aircraft, at in stationed.items()}
            by_base = SeasonByBase.model_validate({**month_days(season), "by_aircraft": by_aircraft})
            changed_rule = changed_rule.model_copy(update={"season": by_base})
        faults += _senseless(rule, changed_rule, layers)
        changed.append(changed_rule)
        settings += [Setting(rule.id, key, history) for key, history in values.items()]
    if faults:
        raise AuditError(*faults)
    return replace(
        rulebook,
        rules=tuple(changed),
        settings=tuple(settings),
        settings_files=tuple(layer.file for layer in files),
        stationed=frozenset(stationed),
    )


def _sentences(layer: Settings, faults: Iterator[tuple[KeyPath, str]]) -> list[str]:
    source = layer.source
    listed = [f"{source.name}, line {source.line(place)}: {written(place)}: {sentence}" for place, sentence in faults]
    return listed if len(listed) <= MOST_FAULTS else [*listed[:MOST_FAULTS], f"{source.name}: and more faults"]


def _misfits(
    content: SettingsFile, rules: Mapping[str, Rule], earlier: Mapping[str, Season]
) -> Iterator[tuple[KeyPath, str]]:
    """What a file names that isn't there, or is there twice."""
    for name, season in content.seasons.items():
        if name == NONE or earlier.get(name, season) != season:
            other = f"is {season_text(earlier[name])} already" if name in earlier else "means that there is no season"
            yield ("seasons", name), f"{name} {other}; take another name"
    seasons = {**earlier, **content.seasons}
    home: dict[str, str] = {}
    for name, base in content.bases.items():
        if isinstance(base.season, str) and base.season not in seasons:
            yield ("bases", name, "season"), _unknown_season(base.season, seasons)
        for number, aircraft in enumerate(base.aircraft):
            if aircraft in home:
                yield ("bases", name, "aircraft", number), f"{aircraft} is listed under {home[aircraft]} already"
            home[aircraft] = name
    for name, asked in content.rules.items():
        if name not in rules:
            yield ("rules", name), f"no rule has this id{did_you_mean(shortened(name), rules)}"
        else:
            for place, sentence in _unfit(rules[name], asked, seasons):
                yield ("rules", name, *place), sentence


def _unfit(rule: Rule, asked: Mapping[str, Any], seasons: Mapping[str, Season]) -> Iterator[tuple[KeyPath, str]]:
    """What the rule has no place for; whether a value fits its place is for the rule's model to say."""
    settable = _settable(rule)
    if not asked:
        yield (), "expected something to set, such as {level: 2}"
    for key, value in asked.items():
        if key not in settable:
            suggestion = did_you_mean(shortened(key), settable)
            what = f"in a rule of the form {rule.form} one can set {', '.join(settable)}"
            yield (key,), f"{quoted(key)} can't be set here{suggestion}; {what}"
        elif key == "season" and isinstance(value, str) and value not in (NONE, *seasons):
            yield (key,), _unknown_season(value, seasons)
        elif value == NONE and key in (fields := type(rule).model_fields) and fields[key].is_required():
            yield (key,), "none takes a value away, and the rule can't do without this one"
        elif key == "require":
            yield from _no_numbers(rule, value)
        elif value == {}:
            yield (key,), "expected something to set, got none"


def _no_numbers(rule: Rule, asked: Any) -> Iterator[tuple[KeyPath, str]]:
    given = _numbers(rule)
    expected = f"expected one of the numbers that the rule requires: {', '.join(map('.'.join, given))}"
    if not isinstance(asked, dict) or not asked:
        yield ("require",), expected
        return
    for column, condition in asked.items():
        if not isinstance(condition, dict) or not condition:
            yield ("require", column), expected
            continue
        for operator, number in condition.items():
            place = ("require", column, operator)
            if (column, operator) not in given:
                yield place, expected
            elif isinstance(number, bool) or not isinstance(number, int | float):
                yield place, f"expected a number, got {quoted(number)}"


def _unknown_season(name: str, seasons: Mapping[str, Season]) -> str:
    known = f"{', '.join(seasons)}, or days such as {{from: 10-01, to: 04-30}}"
    return f"unknown season {quoted(name)}{did_you_mean(shortened(name), seasons)}; expected one of {known}"


def _stationed(layers: Sequence[Layer]) -> dict[str, _Stationed]:
    """Where each aircraft is stationed: a later file replaces a base as a whole, and its list overrides others."""
    last = {name: layer for layer, _ in layers for name in layer.content.bases}
    return {
        aircraft: _Stationed(name, seasons[base.season] if isinstance(base.season, str) else base.season, layer)
        for layer, seasons in layers
        for name, base in layer.content.bases.items()
        if last[name] is layer
        for aircraft in base.aircraft
    }


def _settable(rule: Rule) -> tuple[str, ...]:
    return ("level", *(key for key in form_of(rule).settable if key != "require" or _numbers(rule)))


def _numbers(rule: Rule) -> dict[tuple[str, str], float]:
    """The limits that a rule requires of columns, by column and operator."""
    require = form_of(rule).requires(rule)
    return {
        (column, operator): operand
        for column, condition in (require.columns.items() if require else ())
        for operator, operand in condition.operators()
        if operator in ("at_least", "at_most") and isinstance(operand, int | float)
    }


def settable_values(rule: Rule, text: Mapping[str, Any]) -> dict[str, str]:
    """Every value of a rule that may be set, by its key, as the text of the rule writes it."""
    found: dict[str, str] = {}
    for key in _settable(rule):
        value = text.get(key, getattr(rule, key, None))
        if key == "season" and value is not None:
            found[key] = season_text(getattr(rule, key))
        elif key == "require":
            found |= {f"{key}.{'.'.join(place)}": f"{number:g}" for place, number in _numbers(rule).items()}
        elif isinstance(value, Mapping):
            found |= {f"{key}.{part}": str(one) for part, one in value.items()}
        elif value is not None:
            found[key] = str(value)
    return found


def _overridden(rule: Rule, text: Mapping[str, Any], layers: Sequence[Layer], values: Histories) -> Rule:
    """The rule as the settings have it; they are added to the history of its values."""
    for layer, seasons in layers:
        asked = layer.content.rules.get(rule.id)
        if asked is None:
            continue
        changes = dict(asked)
        season = changes.get("season")
        if isinstance(season, str) and season != NONE:
            changes["season"] = month_days(seasons[season])
        text = _merged(type(rule), text, changes)
        place = ("rules", rule.id)
        try:
            rule = worded(limited_to_its_days(type(rule).model_validate(text)))
        except ValidationError as error:
            raise AuditError(*explained(layer.source.below(place), type(rule), error, place)) from None
        now, named = settable_values(rule, text), tuple(_named(asked))
        for key in {**values, **now}:
            if any(key == name or key.startswith(f"{name}.") for name in named):
                earlier = values.get(key, (replace(values["level"][0], value=NONE),))
                values[key] = (*earlier, _set_by(layer, now.get(key, NONE)))
    return rule


def _senseless(rule: Rule, changed: Rule, layers: Sequence[Layer]) -> list[str]:
    """What settings leave of a rule that nothing could meet, or that nothing could break, or that has no effect."""
    said = [layer for layer, _ in layers if rule.id in layer.content.rules]
    if not said:
        return []
    given, known = _numbers(changed), {one.message for one in form_of(rule).never(rule)}
    faults: list[tuple[KeyPath, str]] = [
        (("require", column), "at_least is more than at_most; nothing could comply")
        for column, operator in given
        if operator == "at_least" and given[column, operator] > given.get((column, "at_most"), math.inf)
    ]
    faults += [
        (one.place, one.message)
        for one in form_of(changed).never(changed)
        if one.given is None and one.message not in known
    ]
    found = []
    for place, sentence in faults:
        last = next((layer for layer in said[::-1] if place[0] in layer.content.rules[rule.id]), said[-1])
        found += _sentences(last, iter([(("rules", rule.id, *place), sentence)]))
    return found


def _set_by(layer: Settings, value: str) -> SetValue:
    return SetValue(value, layer.content.set_by, layer.content.source, layer.file.name)


def _merged(model: type[Rule], text: Mapping[str, Any], changes: Mapping[str, Any], at: KeyPath = ()) -> dict[str, Any]:
    """What a rule file says with changes that override it, key by key; the days of a season are changed together."""
    merged = dict(text)
    for key, value in changes.items():
        below = merged.get(key, {})
        # `none` takes a key away; below other keys than those of a rule it is a text.
        if value == NONE and key in known_keys(model, at):
            merged.pop(key, None)
        elif isinstance(value, dict) and isinstance(below, dict):
            merged[key] = _merged(model, {} if key == "season" else below, value, (*at, key))
        else:
            merged[key] = value
    return merged


def _named(changes: Mapping[str, Any], at: str = "") -> Iterator[str]:
    """The keys that changes set, or take away."""
    for key, value in changes.items():
        if isinstance(value, dict) and key != "season":
            yield from _named(value, f"{at}{key}.")
        else:
            yield f"{at}{key}"


def _season_at_bases(season: tuple[SetValue, ...], stationed: Mapping[str, _Stationed]) -> Histories:
    """The season of each base, beside the rule's own that it takes the place of."""
    bases: dict[str, list[_Stationed]] = {}
    for at in stationed.values():
        bases.setdefault(at.base, []).append(at)
    return {
        f"season at {name}": (*season, _set_by(at[0].layer, f"{season_text(at[0].season)} ({len(at)} aircraft)"))
        for name, at in sorted(bases.items())
    }
