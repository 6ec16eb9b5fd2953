"""One self-contained HTML page on one or more vessels, which asks nothing of the network."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

from densitycam.culture.advice import SplitPlan
from densitycam.journal.morning import VesselLine
from densitycam.report.growth_chart import ChartPanel
from densitycam.report.growth_svg import growth_svg, legend_html
from densitycam.report.numbers import (
    format_day,
    format_days,
    format_density,
    format_grams,
    format_ml,
    format_percent,
    format_rate,
)
from densitycam.report.text import ready_words
from densitycam.report.today_text import do_words, headline

__all__ = [
    "CAUTIONS",
    "STYLE",
    "PhotoTile",
    "VesselPage",
    "decision_html",
    "decisions_html",
    "density_now",
    "growth_html",
    "log_html",
    "pairs_html",
    "report_page",
    "strip_html",
    "tone",
]


@dataclass(frozen=True)
class PhotoTile:
    """One photo of the strip, or of the list of decisions.

    Parameters
    ----------
    when : datetime
        Capture time.
    density, decision, signs : str
        In words.
    picture : str
        A data: address of a small JPEG; "" where the file was not found.
    link : str
        The address of the photo's own page; "" where it has none.
    """

    when: datetime
    density: str
    decision: str
    signs: str
    picture: str = ""
    link: str = ""


@dataclass(frozen=True)
class VesselPage:
    """All that the page says of one vessel.

    Parameters
    ----------
    line : VesselLine
        What is known today and what to do.
    panel : ChartPanel
        Its growth.
    tiles : sequence of PhotoTile
        Measured photos in order of time.
    log : sequence of (datetime, str, str)
        Day, kind and words of what was done and counted, in order of time.
    calibrated : str
        What its densities rest on.
    """

    line: VesselLine
    panel: ChartPanel
    tiles: Sequence[PhotoTile]
    log: Sequence[tuple[datetime, str, str]]
    calibrated: str


STYLE = """
:root{color-scheme:light dark;--ground:#f4f6f3;--sheet:#fff;--ink:#1f2b2a;--quiet:#556361;
--line:#d5dcd9;--curve:#0a629c;--band:#2a8f6a33;--slide:#b8500b;--alert:#a3341c;--calm:#1c6b4d}
@media(prefers-color-scheme:dark){:root{--ground:#101817;--sheet:#182321;--ink:#e4ebe8;
--quiet:#a3b1ad;--line:#33423f;--curve:#6db9ec;--band:#3fae8533;--slide:#f0955a;--alert:#f08a72;
--calm:#6fd0a4}}
*{box-sizing:border-box}
body{margin:0;background:var(--ground);color:var(--ink);
font:16px/1.5 system-ui,-apple-system,"Segoe UI",Roboto,"Noto Sans",sans-serif}
header,main,footer{max-width:53rem;margin:0 auto;padding:1rem}
header{padding-bottom:0}
h1{font-size:1.5rem;margin:.4rem 0 0;line-height:1.2}
h2{font-size:1.3rem;margin:0;line-height:1.25}
h3{font-size:1rem;margin:1.5rem 0 .4rem}
p{margin:.4rem 0}
.quiet{color:var(--quiet)}
.morning{list-style:none;margin:1rem 0 0;padding:0;border-top:1px solid var(--line)}
.morning a{display:flex;flex-wrap:wrap;gap:.1rem 1rem;padding:.55rem 0;text-decoration:none;
color:inherit;border-bottom:1px solid var(--line)}
.morning a:hover .name,.morning a:focus .name{text-decoration:underline}
.morning .name{flex:1 1 9rem;font-weight:600}
.morning .density{flex:2 1 14rem;color:var(--quiet)}
.morning .do{flex:1 1 8rem;font-weight:600}
.alert{color:var(--alert)}.calm{color:var(--calm)}
section{background:var(--sheet);border:1px solid var(--line);border-radius:.75rem;padding:1rem;
margin:0 0 1rem}
.headline{font-size:1.15rem;font-weight:600;margin:.6rem 0 .2rem}
ul.why{margin:.3rem 0;padding-left:1.15rem}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1rem;margin:.6rem 0}
dt{color:var(--quiet)}dd{margin:0}
figure{margin:0}
.chart .broad svg,.chart .narrow svg{width:100%;height:auto;display:block}
.chart .narrow{display:none}
@media(max-width:36rem){.chart .broad{display:none}.chart .narrow{display:block}
dl{grid-template-columns:1fr;gap:0}dd{margin:0 0 .35rem}section{padding:.8rem}}
svg text{font:12px system-ui,-apple-system,"Segoe UI",Roboto,"Noto Sans",sans-serif;
fill:var(--quiet)}
.grid{stroke:var(--line);stroke-width:1}
.axis{stroke:var(--quiet);stroke-width:1}
.band{fill:var(--band)}
.split{stroke:var(--quiet);stroke-width:1;stroke-dasharray:4 3}
.curve{fill:none;stroke:var(--curve);stroke-width:1.6}
.ahead{stroke:var(--curve);stroke-width:1.6;stroke-dasharray:3 3}
.bar{stroke:var(--curve);stroke-width:1.3}.bar.wide{stroke-width:2.2}
.dot{fill:var(--curve);stroke:var(--curve);stroke-width:1.6}.dot.sign{fill:var(--sheet)}
.slide path{fill:var(--slide)}.slide .bar{stroke:var(--slide)}
.bound,.cross{fill:none;stroke:var(--curve);stroke-width:1.8}.cross{stroke:var(--ink)}
.legend{list-style:none;display:flex;flex-wrap:wrap;gap:.1rem 1.1rem;margin:.3rem 0 0;padding:0;
font-size:.85rem;color:var(--quiet)}
.key{width:24px;height:16px;vertical-align:-3px;margin-right:.35rem}
.strip{display:flex;gap:.6rem;overflow-x:auto;padding:0 0 .5rem;margin:0;list-style:none}
.strip li{flex:0 0 9rem}
.strip img{width:9rem;height:6.75rem;object-fit:cover;border-radius:.4rem;display:block;
background:var(--line)}
.strip figcaption{font-size:.8rem;line-height:1.3;margin-top:.25rem}
details{margin-top:.9rem}
summary{cursor:pointer;font-weight:600}
.scroll{overflow-x:auto}
table{border-collapse:collapse;font-size:.9rem;min-width:100%;margin-top:.4rem}
th,td{text-align:left;vertical-align:top;padding:.25rem .9rem .25rem 0;
border-bottom:1px solid var(--line)}
th{color:var(--quiet);font-weight:600}
td:first-child{white-space:nowrap}
footer{font-size:.9rem;color:var(--quiet)}
:focus-visible{outline:3px solid var(--curve);outline-offset:2px}
@media print{:root{--ground:#fff;--sheet:#fff;--ink:#000;--quiet:#444;--line:#bbb;--curve:#0a629c;
--slide:#b8500b;--band:#2a8f6a33}section{break-inside:auto;border:0;padding:0}
.strip{flex-wrap:wrap}
/* A page on paper cannot be unfolded. */
details::details-content{content-visibility:visible;height:auto}}
"""

CAUTIONS = (
    "Mains power beside salt water can kill: plugs out before you pour.",
    "Never feed from a suspect culture, and keep no starter from it. Feed a tank low at first and "
    "watch the animals: oxygen at night, nutrients.",
    "Bleach and alcohol never together, and away from flames. Fixed samples never go back.",
    "Nothing here is for people to eat. Nothing of it goes into natural water. Local rules and "
    "licensed practice come first.",
)


def report_page(
    vessels: Sequence[VesselPage],
    *,
    made_at: datetime,
    bottles: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> str:
    """Return the whole page.

    Parameters
    ----------
    vessels : sequence of VesselPage
        By urgency.
    made_at : datetime
        The moment it speaks of, local, naive.
    bottles : sequence of str
        One line a bottle in the cold, first the one to use first.
    notes : sequence of str
        What the page leaves out, and why.

    Returns
    -------
    str
        HTML without scripts and without addresses outside itself.
    """
    names = [v.line.today.history.vessel.name for v in vessels]
    title = names[0] if len(names) == 1 else "Cultures"
    cold = ""
    if bottles:
        cold = (
            '<section aria-labelledby="cold"><h2 id="cold">In the cold</h2>'
            f'<ul class="why">{_items(bottles)}</ul></section>'
        )
    said = "".join(f"<p>{escape(note)}</p>" for note in notes)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">"
        f"<title>{escape(title)}, {made_at:%Y-%m-%d}</title><style>{STYLE}</style></head><body>"
        f"<header><h1>{escape(title)}</h1>"
        f'<p class="quiet">As of {_moment(made_at)}, from the photos and notes of the journal. '
        "Brackets and bars hold 95 % intervals.</p>"
        f"{_morning(vessels)}</header><main>"
        f"{''.join(_vessel(v, n) for n, v in enumerate(vessels, start=1))}{cold}</main>"
        f'<footer><h2>With care</h2><ul class="why">{_items(CAUTIONS)}</ul>{said}</footer>'
        "</body></html>\n"
    )


def _moment(when: datetime) -> str:
    return f"{when.day} {when:%H:%M}".replace(str(when.day), f"{format_day(when)} {when.year}", 1)


def _items(sentences: Iterable[str]) -> str:
    return "".join(f"<li>{escape(s)}</li>" for s in sentences)


def tone(line: VesselLine) -> str:
    """Return the class that colours what to do: "alert", "calm" or "".

    Parameters
    ----------
    line : VesselLine
        The vessel as of today.
    """
    action = line.today.advice.action
    if line.today.ended is None and action in ("rescue", "hold", "overdue"):
        return "alert"
    return "calm" if action in ("harvest", "wait") else ""


def density_now(line: VesselLine) -> str:
    """Return the density of today, and how old its photo is.

    Parameters
    ----------
    line : VesselLine
        The vessel as of today.
    """
    today = line.today
    if today.reading is None or today.estimate is None:
        return "no photo"
    days = (today.now.date() - today.reading.when.date()).days
    age = "" if days <= 0 else f", {format_days(days)} ago"
    return f"{format_density(today.estimate)}{age}"


def _morning(vessels: Sequence[VesselPage]) -> str:
    rows = "".join(
        f'<li><a href="#v{n}"><span class="name">{escape(v.line.today.history.vessel.name)}</span>'
        f'<span class="density">{escape(density_now(v.line))}</span>'
        f'<span class="do {tone(v.line)}">{escape(do_words(v.line))}</span></a></li>'
        for n, v in enumerate(vessels, start=1)
    )
    return f'<nav aria-label="Vessels, the most urgent first"><ul class="morning">{rows}</ul></nav>'


def _vessel(page: VesselPage, number: int) -> str:
    today = page.line.today
    vessel, facts = today.history.vessel, today.history.facts
    ident = f"v{number}"
    return (
        f'<section id="{ident}" aria-labelledby="{ident}-name">'
        f'<h2 id="{ident}-name">{escape(vessel.name)}</h2>'
        f'<p class="quiet">{escape(facts.title)}, {format_ml(vessel.working_volume_ml)}, '
        f"{escape(page.calibrated)}</p>{decision_html(page.line)}"
        f"<h3>Growth</h3>{growth_html(page.panel, ident)}"
        f"{strip_html(page, ident)}{decisions_html(page)}{log_html(page)}</section>"
    )


def growth_html(panel: ChartPanel, ident: str) -> str:
    """Return a vessel's growth chart, for broad and for narrow screens, with its legend.

    Parameters
    ----------
    panel : ChartPanel
        Its growth.
    ident : str
        Unique in the page.
    """
    broad = growth_svg(panel, width=780, height=330, ident=f"{ident}b")
    narrow = growth_svg(panel, width=330, height=290, ident=f"{ident}n")
    return (
        f'<figure class="chart"><div class="broad">{broad}</div>'
        f'<div class="narrow">{narrow}</div>'
        f"<figcaption>{legend_html(panel)}</figcaption></figure>"
    )


def decision_html(line: VesselLine) -> str:
    """Return what to do with a vessel today, why, its density and growth, and the split plan.

    Parameters
    ----------
    line : VesselLine
        The vessel as of today.
    """
    today, advice = line.today, line.today.advice
    if today.ended is not None:
        reason = f": {today.ended.reason}" if today.ended.reason else ""
        return f'<p class="headline">The culture was ended{escape(reason)}.</p>'
    facts = [("Density", density_now(line)), ("Growth", format_rate(today.growth))]
    if today.growth.phase != "unknown":
        facts[1] = ("Growth", f"{format_rate(today.growth)}; {today.growth.phase}")
    if advice.ready_on is not None and advice.wait_days >= 1:
        facts.append(("Ready", ready_words(advice)))
    if advice.would_settle:
        facts.append(("To be surer", advice.would_settle))
    turn = [] if line.turn is None or not line.turn.why else [line.turn.why]
    refused = []
    if line.refused is not None:
        refused = [f"The newest photo was not measured: {line.refused.message}"]
    why = [*advice.reasons[:1], *turn, *advice.reasons[1:], *refused]
    return (
        f'<p class="headline {tone(line)}">{escape(headline(line))}</p>'
        f'<ul class="why">{_items(why)}</ul>{pairs_html(facts)}'
        f"{_plan(advice.plan)}"
        + (
            f"<p>{escape(advice.best_harvest.sentence)}</p>"
            if advice.best_harvest is not None and advice.plan is not None
            else ""
        )
    )


def pairs_html(facts: Iterable[tuple[str, str]]) -> str:
    """Return labelled texts.

    Parameters
    ----------
    facts : iterable of (str, str)
        Label and text, not yet escaped.
    """
    return f"<dl>{''.join(f'<dt>{escape(k)}</dt><dd>{escape(v)}</dd>' for k, v in facts)}</dl>"


def _plan(plan: SplitPlan | None) -> str:
    if plan is None:
        return ""
    dose = "by its label"
    if math.isfinite(plan.nutrient_ml_each):
        dose = f"{format_ml(plan.nutrient_ml_each)} of each part"
    rows = [
        ("Keep", f"{format_ml(plan.keep_ml)} ({format_percent(plan.kept_share)})"),
        ("Harvest", f"{format_ml(plan.harvest_ml)}, {format_ml(plan.starter_ml)} of it as starter"),
        (
            "Top up",
            f"{format_ml(plan.top_up_ml)} of salt water with {format_grams(plan.salt_g)} of sea "
            f"salt, specific gravity {plan.specific_gravity:.4f} at {plan.temperature_c:g} C",
        ),
        ("Nutrient", f"{dose}, for the new water only"),
    ]
    steps = f"<ol>{_items(plan.checklist)}</ol>" if plan.checklist else ""
    return (
        f"<h3>Split plan</h3>{pairs_html(rows)}"
        f"<details><summary>Step by step</summary>{steps}"
        f'<ul class="why">{_items((*plan.notes, *plan.cautions))}</ul></details>'
    )


def strip_html(page: VesselPage, ident: str) -> str:
    """Return the strip of a vessel's photos, the newest first; "" where none has a picture.

    Parameters
    ----------
    page : VesselPage
        The vessel's.
    ident : str
        The vessel's own beginning of ids on the page.
    """
    shown = [t for t in reversed(page.tiles) if t.picture]  # the newest is seen at once
    if not shown:
        return ""
    tiles = "".join(
        f"<li><figure>{_tile(page, t)}"
        f"<figcaption>{format_day(t.when)} {t.when:%H:%M}<br>{escape(t.density)}"
        f"{'<br>' + escape(t.signs) if t.signs else ''}</figcaption></figure></li>"
        for t in shown
    )
    return (
        f'<h3 id="{ident}-photos">Photos</h3><ul class="strip" tabindex="0" '
        f'aria-labelledby="{ident}-photos">{tiles}</ul>'
    )


def _tile(page: VesselPage, tile: PhotoTile) -> str:
    image = f'<img src="{escape(tile.picture)}" alt="{escape(_alt(page, tile))}" loading="lazy">'
    return f'<a href="{escape(tile.link)}">{image}</a>' if tile.link else image


def _alt(page: VesselPage, tile: PhotoTile) -> str:
    name = page.line.today.history.vessel.name
    return f"{name} before the card on {format_day(tile.when)}"


def _table(summary: str, caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows
    )
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
    return (
        f'<details><summary>{escape(summary)}</summary><div class="scroll" tabindex="0" '
        f'role="region" aria-label="{escape(caption)}"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div></details>"
    )


def decisions_html(page: VesselPage) -> str:
    """Return the folded list of decisions photo by photo; "" without a photo.

    Parameters
    ----------
    page : VesselPage
        The vessel's.
    """
    if not page.tiles:
        return ""
    name = page.line.today.history.vessel.name
    rows = [
        (f"{format_day(t.when)} {t.when:%H:%M}", t.density, t.decision, t.signs)
        for t in reversed(page.tiles)
    ]
    return _table(
        f"Decisions, {len(rows)} photos",
        f"Decisions for {name}",
        ("Photo", "Density", "Decision of that day", "Signs"),
        rows,
    )


def log_html(page: VesselPage) -> str:
    """Return the folded list of what was done and counted; "" where nothing was.

    Parameters
    ----------
    page : VesselPage
        The vessel's.
    """
    if not page.log:
        return ""
    name = page.line.today.history.vessel.name
    rows = [(format_day(when), kind, words) for when, kind, words in reversed(page.log)]
    return _table(
        f"Splits, counts and notes, {len(rows)}",
        f"What was done with {name}",
        ("Day", "What", "Details"),
        rows,
    )
