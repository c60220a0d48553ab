"""Visits as technicians make them, with what a master would conclude. Figures are invented, on the family larkspur."""

from __future__ import annotations

from dataclasses import dataclass

from tests.flows.talking import (
    CLOSE_UP,
    DEAD,
    FLAME,
    HEAT,
    LAST,
    LIVE,
    OFF,
    OHMS,
    ON,
    PATH,
    PROOF,
    SERIES,
    START,
    TIDY,
    UNHOOK,
    VOLTS,
    WARM,
    WHOLE,
)

LEFT_OFF = (*OFF, *CLOSE_UP, *WARM)
"""The way out that leaves the furnace off, from the live checks."""
LEFT_OFF_DEAD = (*OFF, *PROOF, *CLOSE_UP, *WARM)
"""The same once a safety check has failed: proven dead before a hand goes in."""
SAME_LEADS = (*OFF, "the flame is gone", "clips are in my hand", "the rod is bare")
"""From the flame back to free leads; the jumper stays."""


@dataclass(frozen=True)
class Hard:
    """One visit. master: what a master technician would conclude.

    how: the end. fault: the one that is named at the end, None where the readings do not bear a name (a sound furnace,
    or several faults that read alike so far). safety: findings that stand at the end.
    says, never: parts of sentences. missing: whether checks are left open.
    """

    name: str
    words: tuple[str, ...]
    master: str
    how: str = "stopped"
    fault: str | None = None
    safety: tuple[str, ...] = ()
    says: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    missing: bool = True


def live(**readings: str) -> tuple[str, ...]:
    """The live checks with some readings of their own."""
    values = {"supply": "118.4", "hot": "118.2", "neutral": "0.2", "secondary": "24.2", "phasing": "94.2", "rod": "89", **readings}
    return tuple(word for value in values.values() for word in (value, "yes"))


GOOD = "I find no fault"
VISITS = (
    Hard("healthy", WHOLE, "Sound. Nothing to mend.", "finished", never=("not done",), missing=False),
    Hard(
        "open ground",
        (*START, *live()[:2], "48", "yes", "71", "yes", "stop", *LEFT_OFF_DEAD),
        "The ground is open and the cabinet may be live. Stop, touch no metal, breaker off. Wire, screw or panel: found on dead power.",
        safety=("ground_open",),
        says=("There is no ground", "The cabinet may be live", "Do not touch metal", "breaker at the panel"), never=(GOOD, "Light the flame"),
    ),
    Hard(
        "open ground, carried on",
        (*START, *live()[:2], "48", "yes", "71", "yes", "next check please", "stop", *LEFT_OFF_DEAD),
        "Nobody goes on past an open ground.",
        safety=("ground_open",), says=("That does not fit here",), never=(GOOD, "Check three"),
    ),
    Hard(
        "open ground, mended",
        (*START, *live()[:2], "48", "yes", "71", "yes", "fix it now", *DEAD, "the fix is made", *ON, *live()[2:6], *live()[6:], *DEAD, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "The ground was open, is mended and read again. Both readings stand.",
        "finished", says=("First we make it safe",), never=("not done",), missing=False,
    ),
    Hard(
        "hot and neutral swapped",
        (*START, "118.4", "yes", "0.3", "yes", "118.1", "yes", "stop", *LEFT_OFF_DEAD),
        "Polarity is reversed. It must be put right at the supply; the switch may cut the wrong wire.",
        fault="polarity_reversed", safety=("swapped",),
        says=("Hot and neutral are swapped", "parts stay live with it off"), never=(GOOD,),
    ),
    Hard(
        "open neutral",
        (*START, "0.3", "yes", "next check please", "118.2", "yes", "117.6", "yes", "stop", *LEFT_OFF_DEAD),
        "The neutral is open. Stop.",
        fault="neutral_open", safety=("neutral_open",), says=("The neutral is open", "Touch no metal"), never=(GOOD,),
    ),
    Hard(
        "no supply, then the secondary",
        (*START, "0.0", "yes", "next check please", "0.0", "yes", "0.0", "yes", "next check please", "0.0", "yes", "next check please", "stop", *LEFT_OFF, *ON),
        "There is no power at the furnace. Find out why before anything else.",
        never=(GOOD,),
    ),
    Hard(
        "burner never lit",
        (*START, *LIVE, *DEAD, *PATH, *HEAT, "no flame at all", "yes", *OFF, *UNHOOK, *VOLTS, *CLOSE_UP, *WARM),
        "This is ignition, not flame sensing. Nothing speaks against the board's sensing.",
        fault="never_lit", says=("not flame sensing", "gas valve", "Flame current"), never=(GOOD, "bad board", "board is bad"),
    ),
    Hard(
        "switch cuts nothing",
        (*START, *LIVE, *OFF, "118.4", "yes", "117.9", "yes", *OFF, *PROOF, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "The wrong switch was opened. Found by the proof; the breaker is opened and the proof made anew.",
        "finished", says=("There is power on hot and neutral with the switch off", "Find the breaker"), never=("not done",), missing=False,
    ),
    Hard(
        "a lead breaks during the proof",
        (*START, *LIVE, *OFF, *PROOF[:-2], "0.0", "yes", *PROOF, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "The zeros do not count: the meter did not show a live part afterwards. The proof is made anew.",
        "finished", says=("The zeros do not count",), missing=False,
    ),
    Hard(
        "a digit slips at the supply",
        (*START, "11.8", "yes", "once more please", "118.4", "yes", *LIVE[2:], *DEAD, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "A slip of the pen, put right. Sound.",
        "finished", missing=False,
    ),
    Hard(
        "a path that jumps",
        (*START, *LIVE, *DEAD, *OHMS, "0.2", "yes", "it is jumping between 0.8 and 40", "yes", "next check please", *HEAT, "i see a flame", "1.4", "yes", "flame stays lit", "yes", *TIDY, *LAST),
        "A loose joint in the way home: wiggling finds which; the meter does not name it yet.",
        "finished", says=("jumps",), never=(GOOD,), missing=False,
    ),
    Hard(
        "another supply",
        (*START, "231", "yes", "stop", *LEFT_OFF_DEAD),
        "That is no 120 volt supply: the wrong family, or two hots. Off with it; nothing to do with the power company.",
        safety=("wrong_nominal",), says=("not the supply that this furnace is made for",), never=(GOOD, "power company"),
    ),
    Hard(
        "secondary swapped, mended on the spot",
        (*START, *live()[:8], "142.6", "yes", "fix it now", *DEAD, "the fix is made", *ON, "94.2", "yes", "89", "yes", *DEAD, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "Out of phase: the two low voltage wires were swapped. Mended, read again, good.",
        "finished", says=("out of phase",), missing=False,
    ),
    Hard(
        "corroded burner ground",
        (*START, *LIVE, *DEAD, *OHMS, "0.2", "yes", "5.4", "yes", "next check please", *HEAT, "i see a flame", "0.7", "yes", "next check please", "it dropped out", "yes", *TIDY, *LAST),
        "The way home is poor and the current low: clean burner mount and ground screw and read again. Which of the two, burner to cabinet tells; not the board.",
        "finished", says=("The path home is poor",), never=(GOOD,), missing=False,
    ),
    Hard(
        "coated rod, cleaned",
        (*START, *LIVE, *DEAD, *PATH, *HEAT, "i see a flame", "0.6", "yes", "fix it now", *SAME_LEADS, "the rod is clean", "clips are on", *ON, "2.7", "yes", "flame stays lit", "yes", *TIDY, *LAST),
        "The rod was coated. Cleaned, read again, both readings kept.",
        "finished", "rod_coated", says=("too low",), missing=False,
    ),
    Hard(
        "supply skipped",
        (*START, "skip this check", *LIVE[2:6], "next check please", *LIVE[6:8], "next check please", *LIVE[8:10], "next check please", *LIVE[10:], *DEAD, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "Without the supply nothing that is held against it is proven; say what is missing.",
        "stopped", says=("I can't judge this, for a reading is missing: Supply voltage.", "These checks are not done: Supply voltage, Polarity, Transformer secondary, Phasing.", "You skipped: Supply voltage."), never=(GOOD, "The checks are done"),
    ),
    Hard(
        "leads the wrong way round in series",
        (*START, *LIVE, *DEAD, *PATH, *HEAT, "i see a flame", "minus 2.6", "yes", "flame stays lit", "yes", *TIDY, *LAST),
        "The sign is only the way round of the clips. Sound.",
        "finished", missing=False,
    ),
    Hard(
        "open path",
        (*START, *LIVE, *DEAD, *OHMS, "0.2", "yes", "open line", "yes", "stop", *CLOSE_UP, *WARM, *ON),
        "The way home is open. A burner or a wire that is off: these two readings do not tell which.",
        says=("The path home is open",), never=(GOOD,),
    ),
    Hard(
        "gas at the burner, then clear air",
        (*START, *LIVE, *DEAD, *PATH, *HEAT, "i smell gas", "that was a false alarm", "the air is clear", *FLAME, *TIDY, *LAST),
        "Out first. When the air is clear, on where it was left.",
        "finished", says=("Get all people out now",), missing=False,
    ),
    Hard(
        "words that do not fit",
        (*START, "what a lovely furnace", "bananas", "118.4", "yes", "stop", *LEFT_OFF, *ON),
        "Say what would fit, and do not send anybody away from a fan.",
        says=("That does not fit here. Tell me the number on the meter, in volts.",), never=("Step away from the fan", GOOD),
    ),
    Hard(
        "it locks out at the last look",
        (*WHOLE[:-2], "it locked out", "yes", *OFF, *WARM),
        "Not to be left running: off, tagged, told.",
        says=("do not leave it on", "hang a tag"), missing=False, never=(GOOD,),
    ),
    Hard(
        "volts from neutral to ground",
        (*START, "112.1", "yes", "118.4", "yes", "6.4", "yes", "stop", *LEFT_OFF_DEAD),
        "A loose neutral: what the supply lacks stands on the neutral. Have the supply checked.",
        fault="neutral_high_resistance", safety=("neutral_loose",), says=("loose neutral",), never=(GOOD,),
    ),
    Hard("stopped at the first word", ("stop",), "Nothing was done; nothing is proven.", says=("These checks are not done",), never=(GOOD,)),
    Hard(
        "stopped with clips and jumper on",
        (*START, *LIVE, *DEAD, *PATH, *HEAT, "stop", *OFF, *UNHOOK, *VOLTS, *CLOSE_UP, *WARM, *ON),
        "Everything comes off before anybody leaves.",
        says=("Take the jumper off R and W.", "Take both clips off"), never=(GOOD,),
    ),
    Hard(
        "paused with the jumper on",
        (*START, *LIVE, *DEAD, *PATH, *SERIES, "pause", "continue", *OFF, *ON, *FLAME, *TIDY, *LAST),
        "Back to the branch it left; the flame current is not passed over.",
        "finished", missing=False,
    ),
    Hard(
        "a dead reading of one volt and a bit",
        (*START, *LIVE, *OFF, "118.4", "yes", "0.01", "yes", *PROOF[4:], *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "Hundredths of a volt are dead. Sound.",
        "finished", missing=False,
    ),
    Hard(
        "a live proof of a hundredth of a volt",
        (*START, *LIVE, *OFF, "0.01", "yes", *PROOF, *PATH, *HEAT, *FLAME, *TIDY, *LAST),
        "The meter is not shown live: a failed proof, not an odd number.",
        "finished", says=("too low for a live part",), missing=False,
    ),
)
