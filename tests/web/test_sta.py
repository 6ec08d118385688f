"""SensorThings 1.1 as a client that knows only the standard (OGC 18-088) walks it."""

from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from support.web_harbour import FLOW, LEAK, LEVEL, NOON
from support.web_world import World

from weirwatch.domain.instant import SECOND, from_rfc3339, to_rfc3339
from weirwatch.pipeline.access import Role
from weirwatch.web.sta.words import parse_filter

SETS = {
    "Things", "Locations", "HistoricalLocations", "Datastreams", "Sensors", "ObservedProperties",
    "Observations", "FeaturesOfInterest",
}  # fmt: skip
MANDATORY = {  # OGC 18-088 tables 4 to 13, without what a server may leave out
    "Things": {"name", "description"},
    "Datastreams": {"name", "description", "unitOfMeasurement", "observationType"},
    "Sensors": {"name", "description", "encodingType", "metadata"},
    "ObservedProperties": {"name", "definition", "description"},
    "Observations": {"phenomenonTime", "result", "resultTime"},
    "FeaturesOfInterest": {"name", "description", "encodingType", "feature"},
}


class Client:
    """Knows the root address and follows links, as any SensorThings client does."""

    def __init__(self, root: str) -> None:
        self.http = httpx.Client(timeout=60)
        self.root = root
        self.sets = {item["name"]: item["url"] for item in self.get(root)["value"]}

    def get(self, url: str, **options: Any) -> Any:
        query = "&".join(f"${key}={quote(str(value))}" for key, value in options.items())
        answer = self.http.get(f"{url}?{query}" if query else url)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def every(self, url: str, **options: Any) -> list[Any]:
        page = self.get(url, **options)
        found = list(page["value"])
        while "@iot.nextLink" in page:
            page = self.get(page["@iot.nextLink"])
            found += page["value"]
        return found


@pytest.fixture
def client(world: World) -> Iterator[Client]:
    client = Client(world.url("/sta/v1.1"))
    yield client
    client.http.close()


def level(client: Client) -> Any:
    found = client.get(client.sets["Datastreams"], filter=f"name eq '{LEVEL.label}'")["value"]
    assert len(found) == 1
    return found[0]


def test_the_root_lists_every_entity_set(client: Client) -> None:
    assert client.sets.keys() == SETS
    settings = client.get(client.root)["serverSettings"]
    assert all(name.startswith("http://www.opengis.net/") for name in settings["conformance"])


@pytest.mark.parametrize("name", sorted(SETS))
def test_every_entity_is_whole_and_every_link_leads_somewhere(client: Client, name: str) -> None:
    for entity in client.get(client.sets[name], top=3)["value"]:
        assert MANDATORY[name] <= entity.keys()
        again = client.get(entity["@iot.selfLink"])
        assert again == entity
        links = [key for key in entity if key.endswith("@iot.navigationLink")]
        assert links
        for link in links:
            client.get(entity[link])


def test_from_a_thing_to_its_newest_observation(client: Client) -> None:
    thing = client.get(client.sets["Things"], expand="Datastreams($orderby=name)")["value"][0]
    assert thing["name"] == "Harbour Hall"
    names = [stream["name"] for stream in thing["Datastreams"]]
    assert names == sorted(names)
    stream = level(client)
    assert stream["unitOfMeasurement"]["symbol"] == "mm"
    assert stream["phenomenonTime"].endswith("/" + to_rfc3339(NOON - 5 * SECOND))
    newest = client.get(
        stream["Observations@iot.navigationLink"], top=1, orderby="phenomenonTime desc"
    )["value"][0]
    assert newest["phenomenonTime"] == to_rfc3339(NOON - 5 * SECOND)
    assert newest["result"] == 301.0
    assert client.get(newest["Datastream@iot.navigationLink"])["@iot.id"] == LEVEL.id


@pytest.mark.parametrize("way", ["asc", "desc"])
def test_pages_follow_one_another_without_gap_or_double(client: Client, way: str) -> None:
    url = level(client)["Observations@iot.navigationLink"]
    found = client.every(url, top=70, orderby=f"phenomenonTime {way}", select="id,phenomenonTime")
    times = [item["phenomenonTime"] for item in found]
    assert len(set(times)) == 399
    assert times == sorted(times, reverse=way == "desc")
    assert client.get(url, count="true", top=0) == {"@iot.count": 399, "value": []}


@pytest.mark.parametrize("way", ["asc", "desc"])
def test_all_observations_are_merged_in_time(client: Client, way: str) -> None:
    found = client.every(client.sets["Observations"], top=37, orderby=f"phenomenonTime {way}")
    assert len(found) == 400
    times = [item["phenomenonTime"] for item in found]
    assert times == sorted(times, reverse=way == "desc")
    assert len({item["@iot.id"] for item in found}) == 400


def test_a_filter_on_time_and_result(client: Client) -> None:
    start, end = to_rfc3339(NOON - 300 * SECOND), to_rfc3339(NOON - 200 * SECOND)
    found = client.every(
        level(client)["Observations@iot.navigationLink"],
        filter=f"phenomenonTime ge {start} and phenomenonTime lt {end} and result gt 303",
    )
    assert found
    for item in found:
        assert NOON - 300 * SECOND <= from_rfc3339(item["phenomenonTime"]) < NOON - 200 * SECOND
        assert item["result"] > 303
    either = f"result eq 300 or phenomenonTime lt {start}"
    wide = client.every(level(client)["Observations@iot.navigationLink"], filter=either, top=1000)
    assert any(from_rfc3339(i["phenomenonTime"]) > NOON - 300 * SECOND for i in wide)


def test_a_filter_through_a_link_and_by_function(client: Client) -> None:
    url = client.sets["Datastreams"]
    by_thing = client.get(url, filter="Thing/name eq 'Harbour Hall' and startswith(name,'Sump')")
    assert [item["@iot.id"] for item in by_thing["value"]] == [LEVEL.id]
    by_unit = client.get(url, filter="unitOfMeasurement/symbol eq 'L/h'")
    assert [item["@iot.id"] for item in by_unit["value"]] == [FLOW.id]
    none = client.get(url, filter="not (unitOfMeasurement/symbol ne 'L/h') and 1 eq 2")
    assert none["value"] == []


def test_count_top_skip_and_select(client: Client) -> None:
    url = client.sets["Datastreams"]
    page = client.get(url, count="true", top=2, skip=1, orderby="id", select="name")
    assert page["@iot.count"] == 5
    assert len(page["value"]) == 2
    assert set(page["value"][0]) == {"@iot.id", "@iot.selfLink", "name"}
    assert len(client.every(url, top=2)) == 5


def test_expand_goes_deep(client: Client) -> None:
    stream = client.get(
        level(client)["@iot.selfLink"],
        expand="Thing,Sensor,ObservedProperty,Observations($top=2;$orderby=phenomenonTime desc"
        ";$expand=FeatureOfInterest)",
    )
    assert stream["Thing"]["name"] == "Harbour Hall"
    assert stream["ObservedProperty"]["name"] == "level"
    assert len(stream["Observations"]) == 2
    assert stream["Observations"][0]["FeatureOfInterest"]["feature"]["type"] == "Feature"


def test_a_data_array_says_the_same(client: Client) -> None:
    url = level(client)["Observations@iot.navigationLink"]
    plain = client.get(url, top=5)["value"]
    array = client.get(url, top=5, resultFormat="dataArray")["value"]
    assert len(array) == 1
    assert array[0]["components"] == ["id", "phenomenonTime", "resultTime", "result"]
    assert array[0]["dataArray@iot.count"] == 5
    assert [row[3] for row in array[0]["dataArray"]] == [item["result"] for item in plain]
    assert client.get(array[0]["Datastream@iot.navigationLink"])["@iot.id"] == LEVEL.id
    few = client.get(url, top=1, resultFormat="dataArray", select="result")["value"][0]
    assert (few["components"], few["dataArray"]) == (["result"], [[plain[0]["result"]]])


def test_one_property_and_its_plain_value(client: Client) -> None:
    url = level(client)["@iot.selfLink"]
    assert client.get(f"{url}/name") == {"name": LEVEL.label}
    assert client.get(f"{url}/name/$value") == LEVEL.label
    switch = client.get(client.sets["Datastreams"] + f"('{LEAK.id}')")
    assert switch["observationType"].endswith("OM_TruthObservation")


@pytest.mark.parametrize(
    "path",
    [
        "Nothings", "Things('x')", "Things(1)", "Datastreams('x')/Thing", "Things/Datastreams",
        "Observations('x@1')", "Observations('harbour-hall/sump-node/level@1')", "$metadata",
        "Things('harbour-hall')/nothing", "Things('harbour-hall", "Things('harbour-hall')/name/x",
        "Things('harbour-hall')/Sensors",
    ],
)  # fmt: skip
def test_what_is_not_there_is_a_404(world: World, path: str) -> None:
    answer = httpx.get(world.url(f"/sta/v1.1/{path}"))
    assert answer.status_code == 404, answer.text
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    "query",
    [
        "$top=-1", "$top=x", "$skip=1.5", "$count=yes", "$filter=(", "$filter=result gt",
        "$filter=result gt 'a", "$filter=result gt 1)", "$filter=nothing eq 1",
        "$filter=length(result,1) eq 1", "$orderby=result", "$orderby=phenomenonTime up",
        "$select=nothing", "$expand=Nothing", "$resultFormat=CSV", "$what=1", "$top=1&$top=2",
        "$skiptoken=x", "$expand=Datastream($top=1", "$filter=" + "(" * 30 + "1 eq 1" + ")" * 30,
        "$filter=" + "not " * 5000 + "true",
        "$expand=" + "Datastream($expand=Observations($expand=" * 4 + "Datastream" + "))" * 4,
    ],
)  # fmt: skip
def test_a_wrong_option_is_a_400_that_says_which(world: World, query: str) -> None:
    answer = httpx.get(world.url(f"/sta/v1.1/Observations?{query.replace(' ', '%20')}"))
    assert answer.status_code == 400, answer.text
    problem = answer.json()
    assert problem["type"] == "urn:weirwatch:problem:invalid-request"
    assert "$" in problem["detail"] or "twice" in problem["detail"]


def test_it_is_for_reading_only_and_needs_a_token_where_there_are_any(world: World) -> None:
    url = world.url("/sta/v1.1/Things")
    refused = httpx.post(url, json={"name": "x"})
    assert refused.status_code == 405
    assert "GET" in refused.headers["allow"]


@pytest.mark.usefixtures("fresh_world")
def test_it_needs_a_token_where_there_are_any(world: World) -> None:
    text = world.token("hydrologist", Role.VIEW)
    url = world.url("/sta/v1.1/Things")
    assert httpx.get(url).status_code == 401
    assert httpx.get(url, headers={"Authorization": f"Bearer {text}"}).status_code == 200


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("a eq 1 and b eq 'it''s'", True),
        ("a eq 2 or b eq 'it''s' and a eq 1", True),
        ("(a eq 2 or b eq 'it''s') and a eq 2", False),
        ("not a eq 2", True),
        ("tolower(c) eq 'abc' and length(c) eq 3", True),
        ("substringof('B', c) and endswith(c, 'C')", True),
        ("d eq null and a ne null", True),
        ("d gt 1 or d lt 1", False),
        ("2026-05-01T12:00:00Z lt t", True),
        ("t le 2026-05-01T12:00:00+02:00", False),
    ],
)
def test_filters_mean_what_odata_says(text: str, holds: bool) -> None:
    entity = {"a": 1, "b": "it's", "c": "ABC", "d": None, "t": "2026-05-01T12:00:01Z"}
    assert bool(parse_filter(text).test(entity.get)) is holds
