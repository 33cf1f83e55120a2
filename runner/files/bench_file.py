"""The bench file: its keys with their units and bounds, and the checks within it.

`load_bench_file` is called by the commands and by `bench`, which opens what it names.
Nothing here opens an instrument or knows the simulator: `[simulation]` stays a table.
What needs the module as well is checked in `ratings`.
"""

from __future__ import annotations

from datetime import date
from math import inf
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, NoReturn

from pydantic import Field

from runner.files.bench_checks import bench_mistakes
from runner.files.mistakes import bad_input
from runner.files.toml_file import Section, read, resolve, validate

Text = Annotated[str, Field(min_length=1)]
Volts = Annotated[float, Field(gt=0, le=2000)]
Amps = Annotated[float, Field(gt=0, le=2000)]
Watts = Annotated[float, Field(gt=0, le=100_000)]
Ohms = Annotated[float, Field(ge=0, le=10)]
Seconds = Annotated[float, Field(ge=0, le=60)]
Percent = Annotated[float, Field(ge=0, le=20)]
Celsius = Annotated[float, Field(ge=-100, le=1000)]
Ohm = Annotated[float, Field(gt=0, le=1e6)]
Rise = Annotated[float, Field(gt=0, le=10_000)]
Resource = Annotated[str, Field(pattern=r"^(?i:TCPIP|USB|GPIB|ASRL|VXI|PXI)\S*::\S+$")]

_RESOURCE = (
    "a VISA resource such as TCPIP0::192.0.2.7::5025::SOCKET, USB0::0x1234::0x5678::SN1::INSTR, "
    "GPIB0::9::INSTR, ASRL3::INSTR for COM3 or ASRL/dev/ttyUSB0::INSTR"
)


# ----------------------------------------------------------------------- accuracies


class Accuracy(Section):
    """What the maker states for one range: percent of reading + percent of range + offset."""

    reading_pct: Percent = Field(default=0.0, description="percent of reading; 1 ppm is 0.0001")
    range_pct: Percent = Field(default=0.0, description="percent of the range, not of the reading")
    distribution: Literal["rectangular", "normal-k2"] = Field(
        default="rectangular", description="limits of error, or an expanded uncertainty with k = 2"
    )


class VoltageAccuracy(Accuracy):
    """Accuracy of one voltage range."""

    range_v: Volts = Field(description="full scale of the range")
    offset_v: float = Field(default=0.0, ge=0, le=100)


class CurrentAccuracy(Accuracy):
    """Accuracy of one current range."""

    range_a: Amps = Field(description="full scale of the range")
    offset_a: float = Field(default=0.0, ge=0, le=100)


class TempAccuracy(Section):
    """Accuracy of a temperature: box, sensor and cold junction together."""

    offset_k: float = Field(ge=0, le=50, description="limit of error of box and sensor together")
    reading_pct: Percent = 0.0
    distribution: Literal["rectangular", "normal-k2"] = "rectangular"


VoltageAccuracies = Annotated[tuple[VoltageAccuracy, ...], Field(strict=False)]
CurrentAccuracies = Annotated[tuple[CurrentAccuracy, ...], Field(strict=False)]


# ---------------------------------------------------------------------- instruments


class Instrument(Section):
    """What every box has: where it is and how it is spoken to."""

    family: str
    resource: Resource = Field(description=_RESOURCE)
    identity: Text | None = Field(default=None, description="the answer to *IDN? starts with this")
    channel: int | None = Field(default=None, ge=1, le=9999)
    baud: int | None = Field(
        default=None, ge=110, le=4_000_000, description="only for ASRL resources"
    )
    batch: Literal["one-line", "lines", "single"] | None = Field(
        default=None,
        description="several commands joined by ;: on one line, line by line, or one by one",
    )
    gap_s: Seconds = Field(default=0.0, description="pause between two messages")
    timeout_s: float = Field(default=2.0, ge=0.05, le=60, description="longest wait for a reply")
    settle_s: Seconds = Field(default=0.0, description="what the box needs after a change")
    serial: str = ""
    calibration_due: date | None = None


class Lead(Instrument):
    """A box with a pair of leads that carry the current."""

    remote_sense: bool = Field(
        default=False, description="sense wires go to the module's terminals"
    )
    lead_resistance_ohm: Ohms | None = Field(default=None, description="both wires together")
    lead_resistance_u_ohm: Ohms | None = Field(
        default=None, description="its standard uncertainty; 10 percent of it if missing"
    )
    lead_max_a: Amps | None = Field(
        default=None, description="what leads and plugs may carry for hours"
    )
    comm_watchdog_s: float | None = Field(
        default=None,
        ge=2,
        le=3600,
        description="the box switches off by itself after so long without a message, if it can",
    )
    voltage_accuracy: VoltageAccuracies = ()
    current_accuracy: CurrentAccuracies = ()


class SupplySection(Lead):
    """A programmable supply, one channel of it."""

    family: Literal[
        "scpi-supply",
        "scpi-supply-instrument",
        "scpi-supply-list",
        "scpi-supply-suffix",
        "line-supply",
    ]
    rated_v: Volts = Field(description="greatest output voltage")
    rated_a: Amps = Field(description="greatest output current")
    rated_w: Watts | None = Field(
        default=None, description="greatest output power, if below volts x amps"
    )
    rise_v_per_s: float | None = Field(
        default=None, gt=0, le=1e6, description="how fast its output rises into the load"
    )
    fall_v_per_s: float | None = Field(
        default=None, gt=0, le=1e6, description="how fast its output falls with the load on"
    )

    @property
    def greatest_w(self) -> float:
        """Greatest output power [W]."""
        full_w = self.rated_v * self.rated_a
        return full_w if self.rated_w is None else min(self.rated_w, full_w)


class LoadSection(Lead):
    """An electronic load, one channel of it."""

    family: Literal["scpi-load-function", "scpi-load-mode"]
    rated_v: Volts = Field(description="greatest input voltage")
    rated_a: Amps = Field(description="greatest input current")
    rated_w: Watts = Field(description="greatest input power")
    least_v: float = Field(
        default=0.0, ge=0, le=100, description="below this it cannot hold its current"
    )


class MeterKeys(Section):
    """What a meter states, whoever reads it; its role says whether volts or amperes."""

    range_v: Volts | None = Field(
        default=None, description="the fixed range; for a shunt its voltage"
    )
    range_a: Amps | None = Field(default=None, description="the fixed range of a direct ammeter")
    shunt_ohm: float | None = Field(
        default=None, gt=0, le=100, description="reads volts over this shunt"
    )
    shunt_tolerance_pct: Percent = Field(
        default=0.0, description="limits of the shunt's resistance"
    )
    shunt_max_a: Amps | None = Field(default=None, description="what the shunt may carry for hours")
    voltage_accuracy: VoltageAccuracies = ()
    current_accuracy: CurrentAccuracies = ()


class MeterSection(Instrument, MeterKeys):
    """A meter of one quantity that the program reads."""

    family: Literal["scpi-meter"]


class ThermometerSection(Instrument):
    """One channel of a thermometer; a box that reads a thermocouple minds its cold junction."""

    family: Literal["scpi-thermometer"]
    sensor: Literal["K", "T", "PT100", "NTC"] = Field(description="what is wired to the channel")
    temp_accuracy: TempAccuracy | None = None


class ChamberSection(Instrument):
    """A chamber that makes the ambient."""

    family: Literal["scpi-chamber"]
    least_temp_c: Celsius = Field(description="coldest air it may make")
    rated_temp_c: Celsius = Field(description="hottest air it may make")
    temp_accuracy: TempAccuracy | None = None


# ------------------------------------------------------------------- worked by hand


class ByHand(Section):
    """Something that a person connects or reads: no address, nothing to send."""

    about: str = Field(default="", description="what the person knows it by")
    serial: str = ""
    calibration_due: date | None = None


class Resistor(Section):
    """One resistor of a bank, or a fixed group of them, as a person connects it."""

    resistance_ohm: Ohm = Field(description="cold, at its own terminals")
    tolerance_pct: Percent = Field(description="limits of its cold resistance")
    temp_coefficient_ppm_per_k: float = Field(ge=0, le=10_000, description="either sign")
    rated_w: Watts = Field(description="what it carries for hours, mounted as it is here")
    greatest_w: Watts | None = Field(default=None, description="for greatest_w_for_s at most")
    greatest_w_for_s: float | None = Field(default=None, gt=0, le=3600)
    rest_s: float = Field(default=60.0, ge=0, le=3600, description="cools so long after overload")
    hot_by_k: float = Field(
        default=200.0, ge=0, le=500, description="how much hotter its body is at rated_w"
    )
    label: str = Field(default="", description="what the person knows it by")

    @property
    def called(self) -> str:
        """What a person reads of it."""
        ohm = f"{self.resistance_ohm:g} ohm"
        return f"{ohm} ({self.label})" if self.label else ohm

    @property
    def limit_w(self) -> float:
        """The most it may ever carry [W]."""
        return self.rated_w if self.greatest_w is None else self.greatest_w


class ResistorBankSection(ByHand):
    """Resistors as a load, connected one at a time by a person."""

    family: Literal["resistor-bank"]
    resistors: Annotated[tuple[Resistor, ...], Field(strict=False, min_length=1, max_length=100)]
    lead_resistance_ohm: Ohms | None = Field(
        default=None, description="leads and clips, both wires together"
    )
    lead_resistance_u_ohm: Ohms | None = None
    lead_max_a: Amps | None = Field(default=None, description="what leads and clips may carry")

    # A resistor has no voltage or current of its own: its power decides, in `resistor_bank`.
    rated_v: ClassVar[float] = inf
    rated_a: ClassVar[float] = inf
    rated_w: ClassVar[float] = inf
    least_v: ClassVar[float] = 0.0
    remote_sense: ClassVar[bool] = False
    voltage_accuracy: ClassVar[VoltageAccuracies] = ()
    current_accuracy: ClassVar[CurrentAccuracies] = ()


class MeterByEyeSection(ByHand, MeterKeys):
    """A meter that a person reads out when asked."""

    family: Literal["meter-by-eye"]


class ThermometerByEyeSection(ByHand):
    """A thermometer that a person reads out when asked."""

    family: Literal["thermometer-by-eye"]
    temp_accuracy: TempAccuracy | None = None


AnyMeter = MeterSection | MeterByEyeSection
AnyThermometer = ThermometerSection | ThermometerByEyeSection
AnyInstrument = Annotated[
    SupplySection
    | LoadSection
    | ResistorBankSection
    | MeterSection
    | MeterByEyeSection
    | ThermometerSection
    | ThermometerByEyeSection
    | ChamberSection,
    Field(discriminator="family"),
]


# ------------------------------------------------------------------------- the file


class Roles(Section):
    """Which instrument section does what."""

    supply: Text
    load: Text
    vin: Text | None = None
    iin: Text | None = None
    vout: Text | None = None
    iout: Text | None = None
    case: Text | None = None
    ambient: Text | None = None
    hot_spot: Text | None = None
    chamber: Text | None = None
    capacitor: Text | None = None

    def filled(self) -> dict[str, str]:
        """The roles that have an instrument, with its name."""
        return {role: name for role, name in self if name is not None}


class Limits(Section):
    """Interlocks; `ratings.interlocks` states the default of each that is missing."""

    vin_max_v: Volts | None = None
    iin_max_a: Amps | None = None
    vout_max_v: Volts | None = None
    iout_max_a: Amps | None = None
    ploss_max_w: Watts | None = None
    hot_spot_max_temp_c: Celsius | None = None
    case_max_temp_c: Celsius | None = None
    capacitor_max_temp_c: Celsius | None = None
    ambient_max_temp_c: Celsius | None = None
    vin_min_v: Volts | None = None
    vout_min_v: Volts | None = None
    pin_max_w: Watts | None = None
    pout_max_w: Watts | None = None
    ploss_jump_max_w: Watts | None = Field(
        default=None, description="above what the loss was at the same set points"
    )
    hot_spot_rise_max_k_per_min: Rise | None = None
    case_rise_max_k_per_min: Rise | None = None
    capacitor_rise_max_k_per_min: Rise | None = None
    rise_judged_after_s: float | None = Field(
        default=None, ge=0, le=86_400, description="set points stand so long before"
    )
    fuse_a: Amps | None = Field(default=None, description="the fuse in the line, if there is one")


class Notify(Section):
    """Whom to tell how a run ended: a command of the user's, with one JSON object on its input."""

    command: Annotated[tuple[Text, ...], Field(strict=False, min_length=1)] = Field(
        description='the program and its arguments, as in ["/usr/local/bin/tell", "--bench"]'
    )
    within_s: float = Field(default=10.0, ge=0.1, le=120, description="it is ended after this")


class BenchFile(Section):
    """A whole bench file; frozen, and plain JSON through `model_dump(mode="json")`."""

    name: Text
    visa: Text = Field(description="simulated, installed, pure-python or a VISA library's path")
    mains_hz: Literal[50, 60] | None = Field(
        default=None, description="averages span whole periods of the mains; left out: they do not"
    )
    roles: Roles
    limits: Limits = Limits()
    notify: Notify | None = None
    instruments: dict[str, AnyInstrument]
    simulation: dict[str, Any] = Field(
        default={}, description="only read when the bench is simulated"
    )

    @property
    def boxes(self) -> dict[str, Instrument]:
        """The instruments that the program talks to."""
        found = self.instruments.items()
        return {name: section for name, section in found if isinstance(section, Instrument)}

    @property
    def by_hand(self) -> tuple[str, ...]:
        """The names of all that a person has to work or read."""
        names = self.roles.filled().values()
        return tuple(name for name in names if isinstance(self.instruments[name], ByHand))

    @property
    def resources(self) -> set[str]:
        """The VISA resource of every box; the channels of one box share theirs."""
        return {section.resource for section in self.boxes.values()}

    @property
    def supply(self) -> SupplySection:
        """The instrument in the role of supply."""
        section = self._in_role("supply")
        return section if isinstance(section, SupplySection) else _unfit("supply")

    @property
    def load(self) -> LoadSection | ResistorBankSection:
        """The electronic load, or the resistors in its place."""
        section = self._in_role("load")
        return section if isinstance(section, LoadSection | ResistorBankSection) else _unfit("load")

    @property
    def chamber(self) -> ChamberSection | None:
        """The chamber, if there is one."""
        section = self._in_role("chamber")
        return section if isinstance(section, ChamberSection | None) else _unfit("chamber")

    def meter(self, role: Literal["vin", "iin", "vout", "iout"]) -> AnyMeter | None:
        """The meter in a role, or None where the box's own readback is used."""
        section = self._in_role(role)
        return section if isinstance(section, AnyMeter | None) else _unfit(role)

    def thermometer(
        self, role: Literal["case", "ambient", "hot_spot", "capacitor"]
    ) -> AnyThermometer | None:
        """The thermometer in a role, or None."""
        section = self._in_role(role)
        return section if isinstance(section, AnyThermometer | None) else _unfit(role)

    def _in_role(self, role: str) -> Section | None:
        name = getattr(self.roles, role)
        return None if name is None else self.instruments[name]


def _unfit(role: str) -> NoReturn:
    raise TypeError(f"roles.{role} is checked on loading to name a fitting family")


def load_bench_file(path: str | Path) -> BenchFile:
    """Read and check a bench file (`demo` is the shipped one); raises BadInput."""
    path = resolve(path, "bench")
    bench = validate(read(path), BenchFile, file=path)
    mistakes = list(bench_mistakes(bench))
    if mistakes:
        raise bad_input(path, mistakes)
    return bench
