"""The topics of the wire: how they are built, and which filter takes which."""


def topic_matches(topic_filter: str, topic: str) -> bool:
    """Return whether a subscription filter takes a topic (MQTT 3.1.1, 4.7)."""
    wanted, levels = topic_filter.split("/"), topic.split("/")
    if topic[:1] == "$" and wanted[0] in ("+", "#"):
        return False
    for position, word in enumerate(wanted):
        if word == "#":
            return True
        if position >= len(levels) or word not in ("+", levels[position]):
            return False
    return len(wanted) == len(levels)


def node_topic(root: str, topic: str) -> tuple[str, str, str] | None:
    """Return (system, node, kind) of a node's topic, or None when it is not one."""
    inner = topic.removeprefix(root + "/")
    parts = inner.split("/")
    if inner == topic or len(parts) != 3 or parts[2] not in ("readings", "connection"):
        return None
    return parts[0], parts[1], parts[2]


def subscriptions(root: str, tap_filters: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Return what the service subscribes to: the nodes' topics and the taps, each once."""
    nodes = (f"{root}/+/+/readings", f"{root}/+/+/connection")
    return tuple(dict.fromkeys((*nodes, *tap_filters)))


def own_connection(root: str) -> str:
    """Return the topic where the service itself tells that it is connected."""
    return f"{root}/service/connection"
