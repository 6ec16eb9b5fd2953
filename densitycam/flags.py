"""The one registry of quality gates and state signs, from which code, help and guide are made.

A gate speaks about the photo, a sign about the culture. `refuses` marks those after which no
cells/mL is given.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One gate or sign.

    Parameters
    ----------
    id : str
        Stable word, used in JSON and the journal.
    kind : {"gate", "sign"}
        Gates speak about the photo, signs about the culture.
    title : str
        A few words for a table.
    meaning : str
        One sentence: what was seen.
    advice : str
        One sentence: what to do.
    refuses : bool
        Whether no density is given.
    """

    id: str
    kind: str
    title: str
    meaning: str
    advice: str
    refuses: bool


_ALL = (
    Flag(
        "no-card",
        "gate",
        "no card found",
        "Fewer than three of the card's markers were found.",
        "Retake from so near that the whole card fills most of the picture, sharp and well lit.",
        True,
    ),
    Flag(
        "card-cut",
        "gate",
        "card cut off",
        "Part of the bars lies outside the picture.",
        "Step back until the whole card is in the picture.",
        True,
    ),
    Flag(
        "two-cards",
        "gate",
        "two cards",
        "Markers of the card are in the picture twice.",
        "Retake with one card alone in the picture, the one behind the vessel.",
        True,
    ),
    Flag(
        "mirrored",
        "gate",
        "mirrored picture",
        "The card is seen in a mirror, or the phone saved a mirrored selfie.",
        "Use the main camera, not the selfie camera.",
        True,
    ),
    Flag(
        "unreadable",
        "gate",
        "not a readable photo",
        "The file is empty, cut short, or not a picture.",
        "Copy it from the phone again, or retake it.",
        True,
    ),
    Flag(
        "too-small",
        "gate",
        "card too small",
        "The card covers too few pixels to read its bars.",
        "Step closer until the card fills most of the picture.",
        True,
    ),
    Flag(
        "tilted",
        "gate",
        "too tilted",
        "The card was seen at more than 30 degrees.",
        "Hold the phone square to the card, at the height of the vessel's middle.",
        True,
    ),
    Flag(
        "blurred",
        "gate",
        "blurred",
        "The edges on the card are soft.",
        "Rest the phone on something and tap the card to focus.",
        True,
    ),
    Flag(
        "moved",
        "gate",
        "moved",
        "The picture is smeared along one direction.",
        "Rest the phone on something, or use the timer.",
        True,
    ),
    Flag(
        "flicker",
        "gate",
        "lamp flicker",
        "Bands of light and dark run across the card, from a flickering lamp.",
        "Retake in daylight or under another lamp, or with a slower shutter (1/50 or 1/60 s).",
        True,
    ),
    Flag(
        "two-vessels",
        "gate",
        "two vessels",
        "More than one thing stands before the bars.",
        "Leave only the one vessel on its place.",
        True,
    ),
    Flag(
        "off-place",
        "gate",
        "vessel off its place",
        "The vessel stands too far to one side to see the bars beside it.",
        "Stand it in the middle of its place, its back on the gap line.",
        True,
    ),
    Flag(
        "wrong-vessel",
        "gate",
        "not the recorded vessel on its place",
        "The vessel looks wider or narrower than its record or its earlier photos say: it stands "
        "before the gap line, is another vessel, or the card was printed at another scale.",
        "Stand it with its back on the gap line and leave the photo uncropped; check its name, "
        "light path and outer width, and that the ruler on the card measures 100 mm.",
        True,
    ),
    Flag(
        "glare",
        "gate",
        "glare on the vessel",
        "A lamp or window is mirrored by the vessel where it is read.",
        "Move the lamp, or step aside a little, until the mirror image leaves the vessel's middle.",
        True,
    ),
    Flag(
        "dark",
        "gate",
        "too dark",
        "The card's white is too dark to measure against.",
        "Add light, or raise the exposure.",
        True,
    ),
    Flag(
        "clipped",
        "gate",
        "overexposed",
        "The card's white is burnt out.",
        "Lower the exposure or move the lamp back; no flash.",
        True,
    ),
    Flag(
        "uneven-light",
        "gate",
        "uneven light",
        "The light on the card changes more than the correction can carry.",
        "Turn the card so that no lamp stands close to one side and no shadow falls on it.",
        True,
    ),
    Flag(
        "tone",
        "gate",
        "grey steps disagree",
        "The grey steps left and right do not fit one tone curve.",
        "Switch off filters, night mode and HDR; see that no glare, no shadow and no second vessel "
        "is on or before the grey steps.",
        True,
    ),
    Flag(
        "no-vessel",
        "gate",
        "no vessel on the line",
        "The bars are undisturbed where the vessel should stand.",
        "Stand the vessel on its place, its back on the gap line.",
        True,
    ),
    Flag(
        "no-ruling",
        "gate",
        "no ruling found",
        "The ruled lines of the counting chamber were not found in the slide photo.",
        "Focus on the lines, take the picture straight down the eyepiece, and name the chamber.",
        True,
    ),
    Flag(
        "no-square",
        "gate",
        "no whole square",
        "No square of the ruling lies wholly in the slide photo.",
        "Move the slide until a whole square is in the field, or use a weaker objective.",
        True,
    ),
    Flag(
        "slide-blurred",
        "gate",
        "slide out of focus",
        "Lines and cells of the slide are not sharp.",
        "Turn the fine focus until both are sharp on the phone's screen.",
        True,
    ),
    Flag(
        "slide-moved",
        "gate",
        "slide moved",
        "The slide photo is smeared along one direction.",
        "Use a phone holder or the timer, and more light.",
        True,
    ),
    Flag(
        "cells-small",
        "gate",
        "cells too small",
        "A cell covers too few pixels of the slide photo.",
        "Use a stronger objective, or zoom the phone in before taking the picture.",
        True,
    ),
    Flag(
        "cells-odd",
        "gate",
        "cells of another size",
        "At the ruling's scale the cells are not of this species' size.",
        "Check the chamber and the squares named.",
        True,
    ),
    Flag(
        "cells-crowded",
        "gate",
        "too many cells a square",
        "Cells cover too much of the squares to be counted one by one.",
        "Dilute the sample with clean salt water and load it again.",
        True,
    ),
    Flag(
        "too-dense",
        "sign",
        "too dense to see through",
        "No bar and no light comes through that still changes with density.",
        "Draw a sample into a narrow flat bottle (10 to 30 mm), or dilute it 1:n with clean "
        "salt water, and snap that.",
        True,
    ),
    Flag(
        "too-thin",
        "sign",
        "too thin to measure",
        "The bars look the same through the vessel as beside it.",
        "Wait, or use a wider vessel.",
        False,
    ),
    Flag(
        "settled",
        "sign",
        "settled",
        "The culture is denser at the bottom than at the top.",
        "Swirl it gently until it is even, wait for the bubbles to leave, and retake.",
        False,
    ),
    Flag(
        "foam",
        "sign",
        "foam",
        "Froth stands on the fluid and hides the bars there.",
        "Skim it off, or wait until it has fallen; the reading was taken below it.",
        False,
    ),
    Flag(
        "bubbles",
        "sign",
        "bubbles",
        "Bubbles fill the fluid, as when the air is left on.",
        "Stop the air for some minutes and retake; the bubbles found were left out.",
        False,
    ),
    Flag(
        "film",
        "sign",
        "film on the wall",
        "Patches have grown on the inside of the vessel.",
        "Brush the inside or change the vessel; the reading is of wall and water together.",
        False,
    ),
    Flag(
        "milky",
        "sign",
        "milky",
        "It scatters light without the pigment that belongs to it.",
        "Do not feed from it; look at it under the microscope and smell it.",
        False,
    ),
    Flag(
        "pale",
        "sign",
        "pale",
        "It has less pigment for its turbidity than your counted cultures had.",
        "Do not feed from it; look at it under the microscope.",
        False,
    ),
    Flag(
        "bleached",
        "sign",
        "bleached",
        "It has much less pigment for its turbidity than this species should have.",
        "Check nutrients, light and temperature; keep a second starter safe.",
        False,
    ),
    Flag(
        "colour-shift",
        "sign",
        "colour off",
        "Its colour is not this species' own.",
        "Check that the species is right; look at it under the microscope.",
        False,
    ),
    Flag(
        "bars-lost",
        "sign",
        "bars lost",
        "No bar shows through; only the mean brightness still tells the density.",
        "For a surer density draw a sample into a narrow flat bottle (10 to 30 mm), or dilute it "
        "1:n with clean salt water, and snap that.",
        False,
    ),
)

#: All flags by id, in the order in which they are shown.
FLAGS: dict[str, Flag] = {f.id: f for f in _ALL}
