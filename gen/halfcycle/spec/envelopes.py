"""Published limits of a supply's voltage that a spec may choose from, each with its source.

An envelope says how far the RMS voltage may leave its steady value, and for how long. Only figures
that were read stand here: ``read_in`` says in what, and what in an envelope is a reading of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

Points = tuple[tuple[float, float], ...]
"""(level, seconds): beyond the level for at most so long; 0 allows no excursion at all."""

STEP_V = 1.0
"""Steps of a sloping limit: a sloping limit is held by its next stricter level."""


class Covers(Enum):
    """What an envelope speaks of: a kind of event, or the rest after it."""

    LOAD = "load-on, load-off"
    MOTOR = "motor-start"
    BUS = "bus-sag, bus-swell, bus-step-up, bus-step-down, bus-bad-reading"
    DISTORTION = "non-linear"
    FAULT = "overload, and cases in which the sensor fails"


@dataclass(frozen=True, slots=True)
class Envelope:
    """``name``: as the spec writes it. ``title``: as people read it. ``document``: the standard,
    its edition and clause as far as the text that was read gives them. ``read_in``: what the
    figures were read in, and what they leave open.

    ``lower``, ``upper``: see ``Points``. ``steady``: lowest and highest level once the output has
    settled. Levels are percent of rated, or volts if ``volts``. ``covers``: the cases that it is
    held against. ``frequency_hz``: the only frequency that it is for; None: any.
    """

    name: str
    title: str
    document: str
    read_in: str
    covers: frozenset[Covers]
    lower: Points = ()
    upper: Points = ()
    steady: tuple[float, float] | None = None
    volts: bool = False
    frequency_hz: int | None = None

    @property
    def source(self) -> str:
        """The document and what was read, in one sentence."""
        return f"{self.document}. {self.read_in}"


def _falling(hold_s: float, high: int, low: int, per_s: float) -> Points:
    """Points of an upper limit: ``high`` for ``hold_s``, then down to ``low`` by ``per_s``."""
    sloping = tuple((level, hold_s + (high - level - STEP_V) / per_s) for level in range(low, high))
    return (*((float(level), seconds) for level, seconds in sloping), (float(high), 0.0))


def _rising(hold_s: float, low: int, high: int, per_s: float) -> Points:
    """Points of a lower limit: ``low`` for ``hold_s``, then up to ``high`` by ``per_s``."""
    sloping = tuple(
        (level, hold_s + (level - STEP_V - low) / per_s) for level in range(low + 1, high + 1)
    )
    return ((float(low), 0.0), *((float(level), seconds) for level, seconds in sloping))


_GENERATOR = frozenset({Covers.LOAD, Covers.MOTOR, Covers.DISTORTION, Covers.FAULT})
_AIRCRAFT = frozenset(Covers)

ENVELOPES: dict[str, Envelope] = {
    envelope.name: envelope
    for envelope in (
        Envelope(
            name="iti-2000",
            title="ITI (CBEMA) 2000",
            document=(
                "ITI (CBEMA) Curve Application Note, Information Technology Industry Council, "
                "2000; 120 V 60 Hz equipment, applied to other voltages in percent (common "
                "practice)"
            ),
            read_in=(
                "Points from 1 ms on checked against a meter maker's drawing of the curve, the "
                "others not checked against any text. Its parts below 3 ms are peaks, not RMS, and "
                "are left out"
            ),
            covers=frozenset({Covers.LOAD, Covers.MOTOR, Covers.BUS, Covers.FAULT}),
            lower=((70.0, 0.02), (80.0, 0.5), (90.0, 10.0)),
            upper=((110.0, 0.5), (120.0, 0.003)),
        ),
        Envelope(
            name="semi-f47",
            title="SEMI F47",
            document=(
                "SEMI F47-0706, required immunity: 50 % for 0.2 s, 70 % for 0.5 s, 80 % for 1 s"
            ),
            read_in=(
                "The first point checked against a test laboratory's description, the others not "
                "checked against any text"
            ),
            covers=frozenset({Covers.LOAD, Covers.BUS}),
            lower=((50.0, 0.05), (70.0, 0.2), (80.0, 0.5)),
        ),
        Envelope(
            name="en-50160",
            title="EN 50160",
            document=(
                "EN 50160:2010, low voltage: 10-minute means within 10 % of nominal in 95 % of a "
                "week and +10 % / -15 % always"
            ),
            read_in=(
                "Checked against meter makers' manuals. Held here against the settled end of a "
                "run, which a 10-minute mean would show"
            ),
            covers=frozenset({Covers.DISTORTION}),
            steady=(90.0, 110.0),
        ),
        Envelope(
            name="ship-class",
            title="Ship class rules",
            document=(
                "Lloyd's Register, Rules and Regulations for the Classification of Naval Ships, "
                "January 2023, Volume 2, Part 9, Chapter 2, Section 6, 6.4.2 to 6.4.4: steady "
                "within 2.5 % of rated, dip of at most 15 % and back within 1.5 s when load is "
                "switched on, rise of at most 20 % when rated load is thrown off"
            ),
            read_in=(
                'Read in an electronic edition of the rules. "Recover to rated voltage" is taken '
                "as back within the steady 2.5 %. The rules switch on half of rated kVA at a power "
                "factor of 0.4 or less, and throw off rated kVA at 0.8 or less; the case here "
                "switches all of rated VA at the board's power factor. Rise of at most 7.5 % when "
                "a quarter of rated load is removed: not judged, as no case does that"
            ),
            covers=_GENERATOR,
            lower=((85.0, 0.0), (97.5, 1.5)),
            upper=((120.0, 0.0),),
            steady=(97.5, 102.5),
        ),
        Envelope(
            name="iso-8528-5-g2",
            title="ISO 8528-5 class G2",
            document=(
                "ISO 8528-5, performance class G2, edition not stated where it was read: steady "
                "within 2.5 %, -20 % when power increases suddenly, +25 % when all of it is taken "
                "off, voltage recovery time 6 s"
            ),
            read_in=(
                "Read in a general specification for generating sets, 415 V and 50 Hz, which "
                "quotes the class. Recovered is "
                "taken as back within the steady 2.5 %. That specification asks for power in steps "
                "of 0 to 50, 80 and 100 %; the case here switches all of rated VA at once"
            ),
            covers=_GENERATOR,
            lower=((80.0, 0.0), (97.5, 6.0)),
            upper=((125.0, 0.0), (102.5, 6.0)),
            steady=(97.5, 102.5),
        ),
        Envelope(
            name="mil-std-704d-400hz",
            title="MIL-STD-704D, 400 Hz",
            document=(
                "MIL-STD-704D (30 September 1980), 5.2.3.2.1, 115 V at 400 Hz: 180 V for 10 ms, "
                "then down to 124 V within 70 ms; 80 V for 10 ms, then up to 108 V within 70 ms"
            ),
            read_in=(
                "Read in the manual of one AC source, which gives these transients and calls 108 V "
                "and 124 V the steady limits. The application notes of another give the same "
                "figures and slopes, 800 and 400 V/s, but take them for peaks; here they are RMS, "
                "as 115 V is. Slopes are held in steps of 1 V, by the stricter one"
            ),
            covers=_AIRCRAFT,
            lower=_rising(0.01, 80, 108, 400.0),
            upper=_falling(0.01, 180, 124, 800.0),
            steady=(108.0, 124.0),
            volts=True,
            frequency_hz=400,
        ),
        Envelope(
            name="mil-std-704f-receptacle",
            title="MIL-STD-704F, external power",
            document=(
                "MIL-STD-704F (12 March 2004), 4.3 a: an external source holds 113 to 118 V at the "
                "aircraft's receptacle, AC, steady"
            ),
            read_in=(
                "Read in the standard's own text. Its tables and figures, the transients among "
                "them, could not be read and are not here"
            ),
            covers=_AIRCRAFT - {Covers.FAULT},
            steady=(113.0, 118.0),
            volts=True,
            frequency_hz=400,
        ),
    )
}
"""By name, in the order in which they are listed."""

DEFAULT = ("iti-2000", "semi-f47", "en-50160")
"""What is judged if the spec does not choose."""
