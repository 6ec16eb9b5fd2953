"""What every command prints with --json: names, types, units and meanings, as a JSON Schema.

Records that are dataclasses are taken from their docstrings; what a command puts round them
stands here. The guide's topic `json` and the file guide/json.schema.json are made from it.
"""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Iterator
from dataclasses import fields
from datetime import datetime
from importlib import import_module
from typing import Any, Union, get_args, get_origin, get_type_hints

__all__ = ["CHOICES", "OUTPUTS", "RECORDS", "Fields", "json_schema", "record_fields"]

#: Of one record: name, form and meaning of each field. A form is "text", "number", "integer",
#: "yes/no", "time" or the name of a record; "?" behind it allows null, [form] is a list and {form}
#: an object whose names are free; " or " stands between two; "a|b" in quotes are the words that a
#: text is one of.
Fields = tuple[tuple[str, str, str], ...]

#: Records that are dataclasses, by the name that the guide gives them.
_DATACLASSES = {
    "vessel": "vessel.record:VesselRecord",
    "estimate": "calibration.estimate:Estimate",
    "reading": "vessel.reading:Reading",
    "outline": "vessel.reading:Outline",
    "bar row": "vessel.reading:BarRow",
    "growth": "culture.advice:Growth",
    "advice": "culture.advice:Advice",
    "split plan": "culture.advice:SplitPlan",
    "harvest choice": "culture.harvest_interval:HarvestChoice",
    "harvest round": "culture.harvest_interval:HarvestRound",
    "count": "counting.slide:SlideCount",
    "tally": "counting.tally:Tally",
    "filling": "counting.tally:Filling",
    "spread": "counting.precision:Dispersion",
    "replicates": "counting.precision:Replicates",
    "more to count": "counting.tally:MoreToCount",
    "slide photo": "counting.slide_photo:SlidePhoto",
    "square": "counting.slide_photo:SquareCount",
    "found cell": "counting.slide_photo:FoundCell",
    "blank": "vessel.blank:Blank",
    "bottle use": "journal.bottle_records:BottleUse",
    "filled bottle": "journal.bottle_records:BottleRecord",
    "feed plan": "culture.feeding:FeedPlan",
    "threshold": "culture.settings:Threshold",
    "merged": "journal.exchange:Merged",
    "split": "journal.store:SplitRecord",
    "inoculation": "journal.logbook:InoculationRecord",
    "end": "journal.logbook:EndRecord",
    "top-up": "journal.logbook:TopUpRecord",
    "loss": "journal.logbook:LossRecord",
    "dose": "journal.logbook:DoseRecord",
    "note": "journal.logbook:NoteRecord",
}

_PHOTO = ("photo", "text", "The photo's file, with its folder where it came from one.")
_TAKEN: Fields = (
    ("taken_at", "time", "When the photo was taken."),
    ("time_source", '"exif|name|file"', "The camera's clock, the file's name, or the file's date."),
    ("utc_offset", "text?", "The camera's offset from UTC, such as +01:00."),
)
_ON_SHEET: Fields = (
    ("x_mm", "number", "Left edge, from the sheet's left edge [mm]."),
    ("y_mm", "number", "Top edge, from the sheet's top edge [mm]."),
    ("width_mm", "number", "Its width [mm]."),
    ("height_mm", "number", "Its height [mm]."),
)
_REPLACED = ("replaced", "log entry?", "The entry of the same moment whose place it takes.")
_BOTTLE_MORE: Fields = (
    ("left_ml", "number", "What is still in it [mL]."),
    ("use_by", "time", "Until when it is to be used."),
)
_BOTTLE_STATE: Fields = (
    ("state", "text", 'How it stands, such as "keeps" or "past its time"; "empty" where it is.'),
    ("do", "text?", "What to do with it; null where it is empty."),
)

#: Records that only the printed JSON has.
_OWN: dict[str, Fields] = {
    "card view": (
        ("paper", '"a4|letter"', "Paper of the card in the photo."),
        ("px_per_mm", "number", "Scale of the photo on the card [px/mm]."),
        ("tilt_deg", "number", "How far from square-on it was taken [deg]."),
    ),
    "vessel today": (
        ("vessel", "text", "Its name."),
        ("species", "text", "Its species' id."),
        ("do", "text", "What to do, in a few words."),
        ("split_today", "yes/no?", "Where it is ripe: whether its split is today's turn."),
        ("why_then", "text?", "Why it is, or is not."),
        ("photo", "text?", "Its last photo that was measured; null without one."),
        ("taken_at", "time?", "When that was taken."),
        ("age_days", "number?", "How old it is [day]."),
        ("estimate", "estimate?", "What it said."),
        ("new_water_since", "yes/no", "Whether new water came in since: the density is foretold."),
        ("signs", "[text]", "Ids of its signs: see densitycam help signs."),
        ("growth", "growth?", "Its growth since the last split."),
        ("advice", "advice", "The decision."),
        ("ended_at", "time?", "When the culture was ended, where it was."),
        ("not_measured", "not measured?", "A newer photo that gave no number."),
    ),
    "not measured": (_PHOTO, ("problem", "text", "Why, and what to do about it.")),
    "bottle": (("*", "filled bottle", ""), *_BOTTLE_MORE),
    "bottle in the cold": (("*", "filled bottle", ""), *_BOTTLE_MORE, *_BOTTLE_STATE),
    "source of feed": (
        ("words", "text", "What is fed from."),
        ("cells_per_ml", "number", "Its density [cells/mL]."),
        ("low", "number?", "Lower 95 % limit [cells/mL]."),
        ("high", "number?", "Upper 95 % limit [cells/mL]."),
        ("ml", "number?", "How much there is [mL]."),
        ("keep_cold_days", "number?", "How long it keeps cold [day]."),
        ("notes", "[text]", "What else is to be known."),
    ),
    "kept count": (
        ("vessel", "text", "Its name."),
        ("slide", "integer", "Its number in the journal."),
        ("counted_at", "time", "When the sample was taken."),
        ("count", "count", "Cells/mL from the count."),
        ("tally", "tally", "What was counted."),
        ("slide_photo", "slide photo?", "What was found in the photo of the slide."),
        ("half_width", "number?", "Half the 95 % interval over the density, share."),
        ("spread", "spread", "Whether cells lie at random."),
        ("replicates", "replicates", "Whether the fillings agree."),
        ("live", "[number]?", "Share of live cells and its 95 % limits."),
        ("warnings", "[text]", "The most important first."),
        ("more", "more to count", "What brings the precision that is wanted."),
        ("photo", "text?", "The photo that it is paired with."),
        ("reading", "integer?", "That reading's number."),
        ("test", "text", "Whether the count lies where the photo foretold."),
        ("drift", "text", "Whether slides drift away; empty where they do not."),
    ),
    "count to check": (
        ("vessel", "text", "Its name."),
        ("slide", "null", "Nothing was kept."),
        ("slide_photo", "slide photo", "What was found in the photo of the slide."),
    ),
    "calibrating slide": (
        ("label", "text", "The slide's day and photo."),
        ("count", "count", "What was counted."),
        ("left_out", "estimate?", "What the other slides say of its photo."),
    ),
    "in force": (
        ("calibration_id", "text", "Its name."),
        ("slides", "integer", "Counts behind it."),
    ),
    "in force from now": (
        ("*", "in force", ""),
        ("range_low", "number?", "Densities it holds for, from [cells/mL]."),
        ("range_high", "number?", "To [cells/mL]."),
        ("doubtful", "[doubtful slide]", "Slides that may be bad."),
    ),
    "doubtful slide": (
        ("label", "text", "The slide's day and photo."),
        ("off", "number", "Factor that it is off."),
        ("weight", "number", "Probability that it is good, 0 to 1."),
    ),
    "drift": (
        ("state", '"holds|one slide off|drifted|too few"', "As of the last slide."),
        ("since", "text", "The first slide that is off; empty where none is."),
        ("off", "number", "Counts over what photos foretold, since then."),
        ("sentence", "text", "For the keeper."),
    ),
    "changed estimate": (
        ("file", "text", "The photo's file."),
        ("taken_at", "time", "When it was taken."),
        ("before", "estimate?", "What it said."),
        ("after", "estimate", "What it says now."),
    ),
    "print": (
        ("paper", '"a4|letter"', "Paper of the card."),
        ("edition", "integer", "Edition of the card."),
        ("photos", "integer", "Photos of the bare card behind it."),
        ("disagreement", "number?", "How far they differ, share; null for one photo."),
        ("registered_at", "time", "When it was registered."),
    ),
    "batch vessel": (
        ("*", "vessel", ""),
        ("calibration_id", "text", "The calibration that its estimates come from."),
        ("slides", "integer", "Counts behind that."),
    ),
    "batch photo": (
        _PHOTO,
        ("vessel", "text", "Its vessel's name."),
        *((name, f"{form}?", meaning) for name, form, meaning in _TAKEN[:2]),
        _TAKEN[2],
        ("fresh", "yes/no", "Whether it was read now; else it was known already."),
        ("estimate", "estimate?", "Its density; null for a copy."),
        ("reading", "reading?", "What was measured; null for a copy."),
        ("growth", "growth?", "Growth as of this photo."),
        ("advice", "advice?", "The decision as of this photo."),
        ("duplicate_of", "text?", "The photo of which it is a copy."),
    ),
    "failed photo": (
        _PHOTO,
        ("vessel", "text", "Its vessel's name."),
        ("taken_at", "time?", "When it was taken, where that is known."),
        ("flag", "text?", "Id of the reason: see densitycam help signs."),
        ("problem", "text", "Why it gave no number, and what to do about it."),
        ("advice", "advice?", "The decision as of this photo."),
    ),
    "left photo": (_PHOTO, ("why", "text", "Why.")),
    "misdated photo": (
        _PHOTO,
        ("vessel", "text", "Its vessel's name."),
        ("taken_at", "time", "The time that cannot be."),
        ("why", "text", "Why it cannot."),
    ),
    "stray": (_PHOTO, ("by", "number", "How far it differs from the others, share.")),
    "tag": (
        ("tag", "integer", "Number of its marker."),
        ("vessel", "text", "The vessel's name."),
    ),
    "place": _ON_SHEET,
    "marker": (("id", "integer", "Its id in the dictionary."), ("*", "place", "")),
    "patch": (
        ("name", "text", "Its name."),
        ("*", "place", ""),
        ("srgb", "[integer]", "As it is drawn: red, green, blue, 0 to 255."),
        ("reflectance", "[number]", "Nominal, linear, against bare paper: red, green, blue."),
    ),
    "grey steps": (
        ("left", "[patch]", "At the left edge."),
        ("right", "[patch]", "At the right edge."),
    ),
    "standing place": (
        ("*", "place", ""),
        ("gap_mm", "number", "From the vessel's back to the bars [mm]."),
    ),
    "taken from a bottle": (
        ("kind", '"bottle-use"', "What was taken back."),
        ("bottle", "integer", "The bottle's number."),
        ("use", "bottle use", "What is in the bottle again."),
    ),
}

#: What is logged, each with its kind before its own fields.
_KINDS = ("inoculation", "end", "top-up", "loss", "dose", "note", "split")

#: What each command prints with --json: fields, or the form of what has none of its own.
OUTPUTS: dict[str, Fields | str] = {
    "card": (
        ("card", '"densitycam"', "Whose card it is."),
        ("paper", '"a4|letter"', "Sheet format."),
        ("layout_version", "integer", "Edition of the layout."),
        ("unit", "text", "Where all places are measured from."),
        ("width_mm", "number", "The sheet's width [mm]."),
        ("height_mm", "number", "The sheet's height [mm]."),
        ("marker_dictionary", "text", "OpenCV's name of the markers' dictionary."),
        ("markers", "[marker]", "The markers."),
        ("bar_field", "place", "Where the bars are."),
        ("bars", "[patch]", "The bars, from the base line upward."),
        ("grey_steps", "grey steps", "The grey steps."),
        ("colour_patches", "[patch]", "The colours."),
        ("base_line_y_mm", "number", "The fold, from the sheet's top edge [mm]."),
        ("standing_place", "standing place", "Where the vessel stands."),
        ("ruler", "place", "The ruler to check the print with."),
    ),
    "card register": (
        *_OWN["print"][:4],
        ("strays", "[stray]", "Photos that differ most from the others."),
        _OWN["print"][4],
        ("reflectance", "{[number]}", "Of each patch, against bare paper: red, green, blue."),
    ),
    "vessel": "vessel or [vessel]",  # without a name all are listed
    "tags": "[tag]",
    "blank": (
        ("vessel", "text", "Its name."),
        ("made_at", "time", "When it was measured."),
        ("blank", "blank", "What the vessel itself takes."),
        ("detection_limit_cells_per_ml", "number?", "From where on cells show [cells/mL]."),
        ("slides_behind_it", "integer", "Counts behind that limit."),
    ),
    "snap": (
        _PHOTO,
        ("sha256", "text", "Hash of the file."),
        *_TAKEN,
        ("vessel", "vessel", "The vessel."),
        ("reading_number", "integer?", "Its number in the journal; null where it is not kept."),
        ("dilution", "number", "Final over drawn volume of the sample; 1 without."),
        ("estimate", "estimate", "Cells/mL."),
        ("reading", "reading", "What was measured."),
        ("growth", "growth", "Growth since the last split."),
        ("advice", "advice", "The decision of that day."),
        ("notes", "[text]", "What else is to be known."),
        ("card", "card view", "How the card was seen."),
    ),
    "today": (
        ("at", "time", "The moment that it is told for."),
        ("clock", "text", "That this computer's clock is behind the journal; else empty."),
        ("vessels", "[vessel today]", "The most urgent first."),
        ("bottles", "[bottle in the cold]", "Which to use first stands first."),
    ),
    "count": "kept count or count to check",  # the latter of a photo without --accept
    "calibrate": (
        ("title", "text", "What it is of."),
        ("calibration_id", "text", "Its name."),
        ("slides", "integer", "Counts behind it."),
        ("range_low", "number?", "Densities it holds for, from [cells/mL]."),
        ("range_high", "number?", "To [cells/mL]."),
        ("median_error", "number?", "Of slides told by the others, share."),
        ("inside_interval", "number?", "Share of slides inside the interval told by the others."),
        ("doubtful", "[text]", "Slides that may be bad."),
        ("off", "{number}", "Factor that each slide is off."),
        ("points", "[calibrating slide]", "The slides that were used."),
        ("left_out", "[text]", "Slides that set no gain, and why."),
    ),
    "recalibrate": (
        ("before", "in force", "The calibration so far."),
        ("after", "in force from now", "The new one."),
        ("since", "time?", "Only slides from this day on were used."),
        ("kept", "yes/no", "Whether the journal holds it now."),
        ("drift", "drift", "What slides say of the calibration so far."),
        ("changes", "[changed estimate]", "Photos whose numbers change."),
    ),
    "split": (
        ("*", "split", ""),
        ("bottle", "filled bottle?", "The bottle that was filled; null without one."),
    ),
    **{
        f"log {kind}": (("kind", f'"{kind}"', "What it is."), ("*", kind, ""), _REPLACED)
        for kind in _KINDS[:-1]
    },
    "log list": "[log entry]",
    "log undo": (("undone", "undone", "What was taken back."),),
    "bottle add": "bottle",
    "bottle list": "[bottle in the cold]",
    "bottle use": "bottle",
    "bottle discard": "bottle",
    "feed": (
        ("from", "source of feed", "What is fed from."),
        ("plan", "feed plan", "The day's feed."),
    ),
    "batch": (
        ("prints", "[print]", "Registered prints in use."),
        ("bare_cards_failed", "[not measured]", "Photos of the bare card that were not used."),
        ("vessels", "[batch vessel]", "The vessels of the folder."),
        ("photos", "[batch photo]", "Photos that were measured, and copies of such."),
        ("failed", "[failed photo]", "Photos that gave no number."),
        ("skipped", "[left photo]", "Photos that belong to no vessel."),
        ("misdated", "[misdated photo]", "Photos whose time cannot be."),
        ("wrong_tags", "[left photo]", "Photos that show another vessel's tag."),
    ),
    "settings": (
        ("file", "text", "The settings file."),
        ("exists", "yes/no", "Whether there is one."),
        ("vessels", "{[threshold]}", "What holds for each vessel."),
    ),
    "backup": (
        ("journal", "text", "What was copied."),
        ("backup", "text", "Where to."),
        ("bytes", "integer", "Its size."),
        ("settings", "text?", "The copy of the settings; null where there are none."),
    ),
    "export": (
        ("export", "text", "The file or folder."),
        ("rows", "{integer}", "Rows by table."),
        ("settings", "yes/no", "Whether there are settings in it."),
    ),
    "import": (
        ("*", "merged", ""),
        (
            "settings",
            '"written|known|differs"?',
            "What became of the export's settings: they are the journal's own now, or were "
            "already, or the journal's own stay; null where it has none.",
        ),
    ),
}

#: Records where one of several stands.
CHOICES: dict[str, tuple[str, ...]] = {
    "log entry": tuple(f"logged {kind}" for kind in _KINDS),
    "undone": (
        *(f"logged {kind}" for kind in _KINDS),
        "taken from a bottle",
        "bottle taken back",
    ),
}
_OWN |= {f"logged {k}": (("kind", f'"{k}"', "What it is."), ("*", k, "")) for k in _KINDS}
_OWN["bottle taken back"] = (("kind", '"bottle"', "What it is."), ("*", "filled bottle", ""))

#: Every record by name.
RECORDS = (*_DATACLASSES, *_OWN)

_BASIC = {str: "text", float: "number", int: "integer", bool: "yes/no", datetime: "time"}
_SCHEMA_TYPES = {
    "text": "string",
    "number": "number",
    "integer": "integer",
    "yes/no": "boolean",
    "null": "null",
}


def record_fields(record: str) -> Fields:
    """Return what a record holds, in the order in which it is printed.

    Parameters
    ----------
    record : str
        One of `RECORDS`.

    Returns
    -------
    tuple of (str, str, str)
        Name, form and meaning of each field.

    Raises
    ------
    KeyError
        For another name.
    LookupError
        For a dataclass whose docstring leaves a field out.
    """
    if record in _DATACLASSES:
        return tuple(_of_dataclass(_DATACLASSES[record]))
    return _whole(_OWN[record])


def _whole(own: Fields) -> Fields:
    """Put a record's fields where "*" names it."""
    whole: list[tuple[str, str, str]] = []
    for field in own:
        whole += record_fields(field[1]) if field[0] == "*" else [field]
    return tuple(whole)


def _of_dataclass(place: str) -> Iterator[tuple[str, str, str]]:
    """Read fields from type hints, and their meanings from the numpydoc docstring."""
    cls = _class(place)
    doc = inspect.cleandoc(cls.__doc__ or "")
    told: dict[str, tuple[str, str]] = {}
    section = re.search(r"^Parameters\n-+\n(.*?)(?=\n\n|\Z)", doc, re.MULTILINE | re.DOTALL)
    for entry in re.finditer(
        r"^(\S[^:]*?) : (.*)\n((?:    .*\n?)+)", section[1] if section else "", re.MULTILINE
    ):
        for word in entry[1].split(", "):
            told[word] = (entry[2], " ".join(entry[3].split()))
    # A name that a module imports for its type alone is none at run time.
    named = {one.__name__: one for one in map(_class, _DATACLASSES.values())}
    hints = get_type_hints(cls, localns=named)
    for field in fields(cls):
        if field.name not in told:
            raise LookupError(f"{cls.__name__}.{field.name} has no meaning in the docstring.")
        kind, meaning = told[field.name]
        words = re.findall(r'"([^"]+)"', kind) if kind.startswith("{") else []
        form = f'"{"|".join(words)}"' if words else _form(hints[field.name])
        # nan and infinity, which JSON does not have, are printed as null.
        unknown = re.search(r"\b(?:nan|inf)\b", f"{kind} {meaning}") and "number" in form
        if unknown and not form.endswith("?"):
            form = form.replace("number", "number?") if form.startswith("[") else f"{form}?"
        yield field.name, form, _as_printed(meaning)


def _class(place: str) -> type[Any]:
    module, _, name = place.partition(":")
    found = getattr(import_module(f"densitycam.{module}"), name)
    if not isinstance(found, type):
        raise TypeError(f"{place} is no class")
    return found


def _as_printed(meaning: str) -> str:
    """Say a docstring's words as they are true of the JSON."""
    meaning = re.sub(r"\b(?:nan|None|inf)\b", "null", meaning).replace("True", "true")
    meaning = meaning.replace("`densitycam.flags.FLAGS`", "`densitycam help signs`")
    meaning = re.sub(r"(?:, )?(?:ids in|see) `densitycam\.counting\.chambers`", "", meaning)
    meaning = re.sub(r"`(\w+)`", r"\1", meaning)
    meaning = re.sub(r"Local, naive, to the second\b", "Local time", meaning)
    meaning = re.sub(r"^> 0 ", "Above 0 ", meaning)
    return f"{meaning[:1].upper()}{meaning[1:]}".rstrip(".;, ") + "."


def _form(hint: Any) -> str:
    """Return the form of a type hint."""
    if hint in _BASIC:
        return _BASIC[hint]
    parts = [part for part in get_args(hint) if part is not Ellipsis]
    if get_origin(hint) in (Union, types.UnionType):
        (form,) = [_form(part) for part in parts if part is not type(None)]
        return f"{form}?"
    if get_origin(hint) is tuple:
        (form,) = {_form(part) for part in parts}
        return f"[{form}]"
    if get_origin(hint) is dict:
        return f"{{{_form(parts[1])}}}"
    for record, place in _DATACLASSES.items():
        if _class(place) is hint:
            return record
    raise LookupError(f"{hint} is no form that JSON can take.")


def json_schema() -> dict[str, Any]:
    """Return a JSON Schema (draft 2020-12) of what every command prints with --json.

    Returns
    -------
    dict
        Records and commands under "$defs", a command under "command " and its name.

    Raises
    ------
    LookupError
        For a record whose docstring leaves a field out.
    """
    defs: dict[str, Any] = {record: _object(record_fields(record)) for record in RECORDS}
    for name, choices in CHOICES.items():
        defs[name] = {"oneOf": [_ref(choice) for choice in choices]}
    for command, own in OUTPUTS.items():
        what = _schema(own) if isinstance(own, str) else _object(_whole(own))
        defs[f"command {command}"] = what
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What densitycam prints with --json",
        "$defs": defs,
    }


def _ref(record: str) -> dict[str, Any]:
    return {"$ref": f"#/$defs/{record.replace(' ', '%20')}"}


def _object(whole: Fields) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {
            name: {**_schema(form), "description": meaning} for name, form, meaning in whole
        },
        "required": [name for name, _, _ in whole],
        "additionalProperties": False,
    }


def _schema(form: str) -> dict[str, Any]:
    """Return a form as a schema."""
    if " or " in form:
        return {"oneOf": [_schema(one) for one in form.split(" or ")]}
    if form.endswith("?"):
        return {"anyOf": [_schema(form[:-1]), {"type": "null"}]}
    if form.startswith("["):
        return {"type": "array", "items": _schema(form[1:-1])}
    if form.startswith("{"):
        return {"type": "object", "additionalProperties": _schema(form[1:-1])}
    if form.startswith('"'):
        return {"enum": form.strip('"').split("|")}
    if form == "time":
        return {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d$"}
    return {"type": _SCHEMA_TYPES[form]} if form in _SCHEMA_TYPES else _ref(form)
