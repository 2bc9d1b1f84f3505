"""The settings file: every setting once, with its unit in its name, its default and its help.

Pure: takes TOML text. ``config/loadbook.toml`` is written from these tables (``loadbook settings`` prints it), and a
test holds file, README and tables together.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loadbook.checked import Strict, parse_toml
from loadbook.machine import Id

Port = Annotated[int, Field(ge=1, le=65535)]


class Site(Strict):
    name: Id = Field(default="site", description="Short name of the place; the second level of every MQTT topic")
    title: str = Field(default="Laundry", description="The place's name as people write it")
    time_zone: str = Field(default="UTC", description="IANA time zone for days, tariffs and the dashboard")
    nominal_voltage_v: float = Field(default=230.0, ge=50, le=500, description="Nominal supply voltage, V")
    voltage_tolerance: float = Field(
        default=0.10, gt=0, le=0.5, description="Allowed deviation of ten-minute means, as a fraction of nominal"
    )
    nominal_frequency_hz: float = Field(default=50.0, ge=40, le=70, description="Nominal supply frequency, Hz")


class Broker(Strict):
    host: str = Field(default="", description="MQTT broker's host; empty starts an embedded broker on loopback")
    port: Port = Field(default=1883, description="MQTT broker's TCP port")
    username: str = Field(default="", description="User name at the broker; empty for none")
    password_file: str = Field(default="", description="File that holds the password, one line, mode 0600")
    keep_alive_s: int = Field(default=20, ge=5, le=600, description="MQTT keep-alive, s")


class Store(Strict):
    folder: str = Field(default="/var/lib/loadbook", description="Folder of readings, ledger and outbox")
    kind: Literal["sqlite", "line_protocol"] = Field(
        default="sqlite",
        description="sqlite: on this board; line_protocol: a server that speaks InfluxDB 2's write API",
    )
    commit_every_s: float = Field(
        default=30.0,
        ge=0.2,
        le=60,
        description="Readings are committed this often, s: a power cut costs at most so much, seldom spares the card",
    )
    keep_free_mb: int = Field(default=300, ge=10, description="The store stops growing when less is free, MB")
    keep_full_rate_days: int = Field(default=90, ge=1, description="Full-rate readings are kept this long, days")
    archive_folder: str = Field(
        default="", description="sqlite: old full-rate days are kept here as Parquet files; empty: they are dropped"
    )
    url: str = Field(default="http://127.0.0.1:8428", description="line_protocol: the server's address")
    org: str = Field(default="loadbook", description="line_protocol: organisation")
    bucket: str = Field(default="loadbook", description="line_protocol: bucket")
    token_file: str = Field(default="", description="line_protocol: file that holds the token, mode 0600")


class Poller(Strict):
    name: Id = Field(default="poller", description="This poller's name; one per board")
    outbox_mb: int = Field(
        default=200, ge=1, description="Most that readings which wait to be delivered may take on the card, MB"
    )
    trust_clock: bool = Field(
        default=False, description="true: the board has a battery clock; false: ask the kernel whether the clock is set"
    )
    interval_s: float = Field(default=1.0, ge=0.05, le=60, description="Time between two readings of a meter, s")


class Dashboard(Strict):
    address: str = Field(default="127.0.0.1", description="Address to listen on; 0.0.0.0 for the whole network")
    port: Port = Field(default=8420, description="TCP port of the dashboard")
    trusted_hosts: tuple[str, ...] = Field(
        default=(), description="Host names the dashboard answers to when it listens wider than loopback"
    )
    event_streams: int = Field(default=24, ge=1, le=200, description="Browsers that may watch live at once")
    readers: Literal["people", "everybody"] = Field(
        default="people",
        description="Who may look once people are known or it listens wider than loopback: people who have signed in, "
        "or everybody; changing things always takes signing in",
    )
    behind_https: bool = Field(
        default=False, description="true: a proxy in front speaks HTTPS, and the session's cookie goes over that alone"
    )


class Solar(Strict):
    """Where own energy is measured, so that a cycle's energy is split into own and bought."""

    meter: str = Field(default="", description="Id of the meter on the generation or the grid connection; empty: none")
    measures: Literal["generation", "grid"] = Field(
        default="generation", description="generation: what the roof gives; grid: the connection, import positive"
    )
    curve: str = Field(default="", description="CSV of the usual generation, for `when` and where no meter measures it")


class Meter(Strict):
    """A meter on the line above it."""

    id: Id = Field(examples=["washer-meter"], description="The meter's own name, a-z 0-9 -")
    map: str = Field(examples=["sunspec"], description="Meter map: a name in config/meters, or a path to a TOML file")
    machine: str = Field(default="", description="Id of the machine behind this meter; empty: nothing to recognise")
    unit_id: int = Field(default=1, ge=0, le=255, description="Modbus unit id")
    device_address: str = Field(
        default="", pattern=r"^[0-9A-Za-z ]{0,32}$", description="IEC 62056-21 sign-on: the meter's address, or empty"
    )
    class_percent: float = Field(
        default=0.0,
        ge=0,
        le=20,
        description="Limit of error of power, % of reading (class 1 of IEC 62053-21: 1.0); 0: as its map says",
    )
    class_fixed_w: float = Field(default=0.0, ge=0, le=1000, description="Fixed part of that limit, W")


class Line(Strict):
    """A serial line or a network address, with the meters on it. Write one such table per line."""

    id: Id = Field(examples=["line-1"], description="The line's own name, a-z 0-9 -")
    kind: Literal["modbus_rtu", "modbus_tcp", "telegram"] = Field(
        description="modbus_rtu: serial port; modbus_tcp: network; telegram: a serial port that is listened to"
    )
    port: str = Field(default="", description="Serial port; prefer a name below /dev/serial/by-id")
    baud_bd: int = Field(default=9600, ge=300, le=4_000_000, description="Line speed, Bd")
    parity: Literal["N", "E", "O"] = Field(default="E", description="Parity: N, E or O")
    stop_bits: Literal[1, 2] = Field(default=1, description="Stop bits")
    data_bits: Literal[7, 8] = Field(default=8, description="Data bits; Modbus RTU needs 8")
    host: str = Field(default="", description="modbus_tcp: the meter's host")
    tcp_port: Port = Field(default=502, description="modbus_tcp: the meter's TCP port")
    timeout_s: float = Field(
        default=0.3,
        gt=0,
        le=10,
        description="How long a meter may take to begin its answer, s",
    )
    turnaround_s: float = Field(
        default=0.02, ge=0, le=5, description="A meter's usual pause before its answer, for the line's time budget, s"
    )
    meters: tuple[Meter, ...] = Field(alias="meter", min_length=1, description="Meters on this line")

    @model_validator(mode="after")
    def _reachable(self) -> Self:
        if self.kind == "modbus_tcp" and not self.host:
            raise ValueError(f"line {self.id!r} is modbus_tcp and has no host; add host")
        if self.kind != "modbus_tcp" and not self.port:
            raise ValueError(f'line {self.id!r} is {self.kind} and has no port; add port = "/dev/serial/by-id/..."')
        return self


class Settings(Strict):
    """The whole settings file. Paths in it are relative to the file's folder."""

    site: Site = Site()
    broker: Broker = Broker()
    store: Store = Store()
    poller: Poller = Poller()
    dashboard: Dashboard = Dashboard()
    solar: Solar = Solar()
    machines: tuple[str, ...] = Field(default=(), description="Machine files, one per machine")
    tariff: str = Field(default="", description="Tariff file; empty: cycles are not costed")
    causes: tuple[str, ...] = Field(default=(), description="Further cause tables, read after the one that comes along")
    lines: tuple[Line, ...] = Field(default=(), alias="line", description="Lines and the meters on them")

    @model_validator(mode="after")
    def _unique(self) -> Self:
        seen: set[str] = set()
        ends: dict[str, str] = {}
        for line in self.lines:
            end = f"{line.host}:{line.tcp_port}" if line.kind == "modbus_tcp" else line.port
            if end in ends:
                raise ValueError(f"lines {ends[end]!r} and {line.id!r} have the same port {end}; make them one line")
            ends[end] = line.id
            for meter in line.meters:
                if meter.id in seen:
                    raise ValueError(f"two meters have the id {meter.id!r}; give each its own")
                seen.add(meter.id)
        if self.solar.meter and self.solar.meter not in seen:
            raise ValueError(f"solar.meter is {self.solar.meter!r}, which no meter has; mend it or add the meter")
        return self

    def meters(self) -> dict[str, Meter]:
        """Every meter by its id."""
        return {meter.id: meter for line in self.lines for meter in line.meters}


def parse_settings(text: str, name: str) -> Settings:
    """Settings from the text of their file. ``name`` is the file's name, for errors. Raises InputError."""
    return parse_toml(text, Settings, name)
