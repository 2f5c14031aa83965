"""The topics of an edge node (Sparkplug 3.0, chapter 4)."""

from dataclasses import dataclass
from typing import Final

from daq.adapters.mqtt.topics import check_level

NAMESPACE: Final = "spBv1.0"


@dataclass(frozen=True, slots=True)
class Names:
    """Identifiers of an edge node and its primary host, and the topics made from them.

    Attributes:
        group: identifier of the group.
        node: identifier of the edge node.
        host: identifier of the primary host; "" without one.

    Raises:
        SettingError: an identifier holds a character that is reserved in topics.
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
        """Return the topic of the node's messages of a kind: NBIRTH, NDEATH, NCMD."""
        return f"{NAMESPACE}/{self.group}/{kind}/{self.node}"

    def device_topic(self, kind: str, device: str) -> str:
        """Return the topic of a device's messages of a kind: DBIRTH, DDATA, DDEATH."""
        check_level(device, key="sparkplug: name of an instrument")
        return f"{NAMESPACE}/{self.group}/{kind}/{self.node}/{device}"

    @property
    def state_topic(self) -> str:
        """Topic on which the primary host publishes whether it is online."""
        return f"{NAMESPACE}/STATE/{self.host}"
