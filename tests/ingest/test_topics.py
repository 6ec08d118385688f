from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from weirwatch.ingest.topics import node_topic, own_connection, subscriptions, topic_matches

LEVEL = st.sampled_from(["a", "b", "", "+", "$x", "ab"])


@given(
    st.lists(LEVEL, min_size=1, max_size=4),
    st.booleans(),
    st.lists(LEVEL.filter(lambda level: level != "+"), min_size=1, max_size=5),
)
def test_filters_match_as_in_paho(levels: list[str], rest: bool, topic: list[str]) -> None:
    # paho-mqtt carries the reference: MQTT 3.1.1, 4.7
    wanted = "/".join([*levels, "#"] if rest else levels)
    assert topic_matches(wanted, "/".join(topic)) == topic_matches_sub(wanted, "/".join(topic))


def test_a_nodes_topics() -> None:
    assert node_topic("weirwatch", "weirwatch/hall/sump/readings") == ("hall", "sump", "readings")
    assert node_topic("home/ww", "home/ww/hall/sump/connection") == ("hall", "sump", "connection")
    for other in (
        "weirwatch/hall/sump",
        "weirwatch/hall/sump/readings/x",
        "weirwatch/service/connection",
        "weirwatch/hall/alarm/sump-high",
        "other/hall/sump/readings",
        "weirwatchx/hall/sump/readings",
        "weirwatch",
    ):
        assert node_topic("weirwatch", other) is None


def test_we_do_not_subscribe_to_what_we_publish() -> None:
    wanted = subscriptions("weirwatch", ("bench/#", "bench/#", "weirwatch/+/+/readings"))
    assert wanted == ("weirwatch/+/+/readings", "weirwatch/+/+/connection", "bench/#")
    for own in (own_connection("weirwatch"), "weirwatch/hall/event", "weirwatch/hall/alarm/x"):
        assert not any(topic_matches(topic_filter, own) for topic_filter in wanted)
