"""The topics of an edge node (Sparkplug 3.0, chapter 4)."""

from dataclasses import dataclass
from typing import Final

from daq.adapters.mqtt.topics import check_level

NAMESPACE: Final = "spBv1.0"


@dataclass(frozen=True, slots=True)
class Names:
    """Who the edge node is, and whom it waits for.

    Attributes:
        host: the primary host's identifier; "" where there is none.

    Raises:
        SettingError: an identifier holds a sign that topics give a meaning to.
    """

    group: str
    node: str
    host: str = ""

    def __post_init__(self) -> None:
        check_level(self.group, key="sparkplug.group")
        check_level(self.node, key="sparkplug.node")
        if self.host:
            check_level(self.host, key="sparkplug.host")

    def node_topic(self, kind: str) -> str:
        """Topic of the node's messages of a kind: NBIRTH, NDEATH, NCMD."""
        return f"{NAMESPACE}/{self.group}/{kind}/{self.node}"

    def device_topic(self, kind: str, device: str) -> str:
        """Topic of a device's messages of a kind: DBIRTH, DDATA, DDEATH."""
        check_level(device, key="sparkplug: name of an instrument")
        return f"{NAMESPACE}/{self.group}/{kind}/{self.node}/{device}"

    @property
    def state_topic(self) -> str:
        """Where the primary host says whether it is online."""
        return f"{NAMESPACE}/STATE/{self.host}"
