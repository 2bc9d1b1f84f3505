"""Names of the MQTT topics (README, "Topics"). Pure."""

from __future__ import annotations

from dataclasses import dataclass

ROOT = "loadbook"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one site."""

    site: str

    def readings(self, meter: str = "+") -> str:
        """SenML packs with sequence numbers; with ``+`` a filter for all meters."""
        return f"{ROOT}/{self.site}/{meter}/readings"

    def latest(self, meter: str = "+") -> str:
        """The newest reading, a SenML pack, retained."""
        return f"{ROOT}/{self.site}/{meter}/latest"

    def phase(self, machine: str = "+") -> str:
        """What a machine does now, JSON, retained."""
        return f"{ROOT}/{self.site}/{machine}/phase"

    def cycle(self, machine: str = "+") -> str:
        """A cycle as it is known now, JSON."""
        return f"{ROOT}/{self.site}/{machine}/cycle"

    def alert(self, machine: str = "+") -> str:
        """An alert as it stands, JSON."""
        return f"{ROOT}/{self.site}/{machine}/alert"

    def state(self, service: str = "+") -> str:
        """Whether a poller or the recorder is there, JSON, retained; also its last will."""
        return f"{ROOT}/{self.site}/{service}/state"

    @property
    def committed(self) -> str:
        """What the recorder has stored for good, JSON."""
        return f"{ROOT}/{self.site}/recorder/committed"

    @property
    def day(self) -> str:
        """The summary of the day before, JSON, retained."""
        return f"{ROOT}/{self.site}/recorder/day"

    @property
    def request(self) -> str:
        """What somebody wants changed, JSON."""
        return f"{ROOT}/{self.site}/recorder/request"

    @property
    def answer(self) -> str:
        """What became of a request, JSON."""
        return f"{ROOT}/{self.site}/recorder/answer"


def subject_of(topic: str) -> str:
    """The third level: which meter, machine or service a topic is about; empty when there is none."""
    levels = topic.split("/")
    return levels[2] if len(levels) == 4 else ""
