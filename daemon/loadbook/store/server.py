"""A time-series server that takes line protocol: writing through influxdb-client, reading back over HTTP.

Tested against victoria-metrics, which answers "taken" also for lines it drops and keeps both of two equal times: what
counts is what can be read back. Where the export address is missing, Flux is asked (InfluxDB 2; not tested against a
real one).
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import urllib3
from influxdb_client.client.exceptions import InfluxDBError
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from loadbook.files import read_text
from loadbook.reading import QUANTITIES, QUANTITY_BY_NAME, Column, Reading, Series
from loadbook.settings import Store
from loadbook.store.readings import ALL_QUANTITIES, empty_series
from loadbook.store.sqlite_readings import StoreError

MEASUREMENT = "loadbook"
PRESENT = "present"
"""The field of a reading without a value: a line of none cannot be written."""
TIMEOUT_S = 10.0
MILLISECONDS: Any = WritePrecision.MS  # a str, whatever its stub says


def line_of(site: str, meter: str, reading: Reading) -> str:
    """A reading in line protocol, time in ms. Ids hold nothing that would need escaping."""
    fields = ",".join(
        f"{q.name}={round(value, q.decimals)!r}" for q in QUANTITIES if (value := getattr(reading, q.name)) is not None
    )
    return f"{MEASUREMENT},site={site},meter={meter} {fields or PRESENT + '=1'} {reading.at_ms}"


class Server:
    """One server. Every method raises StoreError when it is away or refuses."""

    def __init__(self, store: Store, site: str, folder: Path) -> None:
        """``folder`` is what ``token_file`` is relative to. Raises InputError for a token that cannot be read."""
        self.url, self._bucket, self._org, self._site = store.url.rstrip("/"), store.bucket, store.org, site
        token = read_text(folder / store.token_file, "token file").strip() if store.token_file else "none"
        self._client: Any = InfluxDBClient(self.url, token=token, org=store.org, timeout=int(TIMEOUT_S * 1000))
        self._write: Any = self._client.write_api(write_options=SYNCHRONOUS)
        self._http = urllib3.PoolManager(timeout=TIMEOUT_S, retries=False, headers={"Authorization": f"Token {token}"})
        self._flux = False

    def write(self, meter: str, readings: Sequence[Reading]) -> None:
        """Send readings of a meter. That nothing is raised does not mean that they are there."""
        lines = "\n".join(line_of(self._site, meter, r) for r in readings)
        try:
            self._write.write(self._bucket, self._org, lines, write_precision=MILLISECONDS)
            # Makes what was just written readable at once; other servers have no such address and need none.
            with contextlib.suppress(urllib3.exceptions.HTTPError):
                self._http.request("GET", f"{self.url}/internal/force_flush")
        except (ApiException, InfluxDBError, urllib3.exceptions.HTTPError, OSError) as bad:
            raise StoreError(f"{self.url}: {_short(bad)}") from bad

    def read(self, meter: str, start_ms: int, end_ms: int, quantities: Sequence[str] = ALL_QUANTITIES) -> Series:
        """What the server has of a meter in the span, in order of time, each instant once."""
        fields = [*quantities, PRESENT]
        try:
            columns = (
                self._read_flux(meter, start_ms, end_ms, fields)
                if self._flux
                else self._read_export(meter, start_ms, end_ms, fields)
            )
        except (ApiException, InfluxDBError, urllib3.exceptions.HTTPError, OSError, ValueError, KeyError) as bad:
            raise StoreError(f"{self.url}: {_short(bad)}") from bad
        return _together(columns, meter, quantities)

    def close(self) -> None:
        self._write.close()
        self._client.close()
        self._http.clear()

    def _read_export(self, meter: str, start_ms: int, end_ms: int, fields: Sequence[str]) -> dict[str, Any]:
        names = "|".join(f"{MEASUREMENT}_{f}" for f in fields)
        answer = self._http.request(
            "GET",
            f"{self.url}/api/v1/export",
            fields={
                "match[]": f'{{__name__=~"{names}",site="{self._site}",meter="{meter}"}}',
                "start": f"{start_ms / 1000:.3f}",
                "end": f"{(end_ms - 1) / 1000:.3f}",
            },
        )
        if answer.status == 404:
            self._flux = True
            return self._read_flux(meter, start_ms, end_ms, fields)
        if answer.status != 200:
            raise OSError(f"answers {answer.status} to a request for readings")
        found: dict[str, Any] = {}
        for line in answer.data.splitlines():
            row = json.loads(line)
            name = row["metric"]["__name__"].removeprefix(MEASUREMENT + "_")
            times, values = found.setdefault(name, ([], []))
            times += row["timestamps"]
            values += row["values"]
        return found

    def _read_flux(self, meter: str, start_ms: int, end_ms: int, fields: Sequence[str]) -> dict[str, Any]:
        wanted = " or ".join(f'r._field == "{f}"' for f in fields)
        query = (
            f'from(bucket: "{self._bucket}") |> range(start: time(v: {start_ms}000000), stop: time(v: {end_ms}000000)) '
            f'|> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and r.site == "{self._site}" '
            f'and r.meter == "{meter}" and ({wanted}))'
        )
        found: dict[str, Any] = {}
        for record in self._client.query_api().query_stream(query, self._org):
            times, values = found.setdefault(record.get_field(), ([], []))
            times.append(round(record.get_time().timestamp() * 1000))
            values.append(record.get_value())
        return found


def _together(columns: dict[str, Any], meter: str, quantities: Sequence[str]) -> Series:
    """Columns with times of their own as one series."""
    if not columns:
        return empty_series(meter)
    at_ms = np.unique(np.concatenate([np.asarray(times, dtype=np.int64) for times, _ in columns.values()]))
    made: dict[str, Column | None] = {}
    for name in ALL_QUANTITIES:
        if name not in quantities or name not in columns:
            made[name] = np.full(len(at_ms), np.nan) if name == "power_w" else None
            continue
        times, values = columns[name]
        column = np.full(len(at_ms), np.nan)
        column[np.searchsorted(at_ms, np.asarray(times, dtype=np.int64))] = np.asarray(values, dtype=np.float64)
        made[name] = np.round(column, QUANTITY_BY_NAME[name].decimals)
    return Series(at_ms=at_ms, meter=meter, **made)  # type: ignore[arg-type]


def _short(bad: Exception) -> str:
    return (str(bad).strip().splitlines() or [type(bad).__name__])[0][:200]
