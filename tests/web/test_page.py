"""The page in a real Chromium, against a real store and a scripted core."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import httpx
import pytest
from support.browser import Browser, browser
from support.page_world import LEVEL, MINUTE, RETURN, ROOM, Server, World, trouble
from support.service import wait_for

from weirwatch.clock import SystemClock, scaled_clock
from weirwatch.domain.alarm import Alarm, AlarmState
from weirwatch.pipeline.access import Role, make_token
from weirwatch.pipeline.access_desk import AccessDesk
from weirwatch.ports import Command
from weirwatch.store.access import SqliteBook, SqliteRegister
from weirwatch.web.access import Access

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PHONE, DESK = (390, 844), (1280, 900)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    world = World(tmp_path)
    world.read()
    yield world
    world.close()


@pytest.fixture(scope="module")
def window() -> Iterator[Browser]:
    with browser() as window:
        yield window


@pytest.fixture
def server(world: World, window: Browser) -> Iterator[Server]:
    server = Server(world)
    server.start()
    yield server
    world.answers = world.answers if world.answers is not None else False
    window.go("about:blank")  # an open page would keep the server waiting
    server.close()


def visit(window: Browser, server: Server, size: tuple[int, int] = PHONE) -> Browser:
    window.size(*size, mobile=size == PHONE)
    window.go("about:blank")
    window.log()
    window.go(server.url)
    window.wait_for("return document.querySelector('.ww-overall p')?.innerText.length > 0")
    window.run("localStorage.clear(); sessionStorage.clear()")
    return window


def test_all_quiet(window: Browser, server: Server, world: World) -> None:
    visit(window, server)
    world.read()
    window.wait_for_text("All quiet.", ".ww-overall")
    assert window.text("h1") == "Harbour Hall"
    window.wait_for_text("own mosquitto at 127.0.0.1:1883", ".ww-broker")
    assert window.run("return document.documentElement.lang") == "en-GB"
    assert not window.run("return document.querySelector('.ww-alarms').offsetParent")
    levels = window.run(
        "return [...document.querySelectorAll('.ww-flow svg')].map(e => e.ariaLabel)"
    )
    assert [label.split(":")[0] for label in levels] == [
        "North", "South", "Refuge", "Sump", "Top-off reservoir",
    ]  # fmt: skip
    assert "1167" in window.text("[data-channel$=north-level]")
    assert window.log() == []


def test_alarms_come_first_and_say_what_to_do(
    window: Browser, server: Server, world: World
) -> None:
    trouble(world)
    world.read({RETURN: 0, ROOM: 28.4})
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    rules = window.run(
        "return [...document.querySelectorAll('[data-rule]')].map(e => e.dataset.rule)"
    )
    assert rules == ["floor-leak", "return-flow-lost", "reactor-flow-lost", "room-too-hot"]
    leak = window.text("[data-rule=floor-leak]")
    first, own = leak.index("Stay out if the floor is wet."), leak.index("The main switch is in")
    assert leak.index("Critical") < leak.index("since") < first < own
    assert own < leak.index("Safety card") < leak.index("Acknowledge")
    assert "Kari is on the way" in window.text("[data-rule=return-flow-lost]")
    assert "Shelved until" in window.text("[data-rule=room-too-hot]")
    assert "1 critical alarm, not acknowledged." in window.text(".ww-overall")
    water = window.run("return document.querySelector('.ww-flow').getBoundingClientRect().top")
    assert water > window.run(
        "return document.querySelector('[data-rule=room-too-hot]').getBoundingClientRect().bottom"
    )


@pytest.mark.parametrize("size", [PHONE, (320, 700), DESK])
def test_nothing_is_wider_than_the_screen_and_every_target_fits_a_thumb(
    window: Browser, server: Server, world: World, size: tuple[int, int]
) -> None:
    trouble(world)
    visit(window, server, size)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    window.run("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    assert window.run("return document.documentElement.scrollWidth") <= size[0]
    small = window.run(  # WCAG 2.2, 2.5.5 Target Size (Enhanced): 44 CSS pixels
        "return [...document.querySelectorAll('button, summary, input, a')]"
        ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44)"
        ".map(e => e.outerHTML)"
    )
    assert small == []


def test_a_card_says_why_when_it_is_asked(window: Browser, server: Server, world: World) -> None:
    trouble(world)
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    card = "[data-rule=return-flow-lost] .ww-reason"
    assert "Limit" not in window.text(card)
    window.run(f"document.querySelector('{card}').open = true")
    window.wait_for_text("1 min left", card)
    why = window.text(card)
    assert "The alarm stands, and nobody has acknowledged it." in why
    assert "Sump: Level above 292 mm: does not hold" in why
    assert "Mains power lost: stands since" in why
    assert window.run("return document.documentElement.scrollWidth") <= PHONE[0]


def test_acknowledge_reaches_the_core_with_comment_and_name(
    window: Browser, server: Server, world: World
) -> None:
    world.raise_alarm("floor-leak", 0.0, "Floor is wet")
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    window.wait_for_text("alarm when wet", "[data-rule=floor-leak]")  # the switch's own word
    window.type("[data-keep=operator]", "Kari <b>")
    form = "[data-rule=floor-leak] [data-command=acknowledge]"
    window.type(f"{form} [name=comment]", "on the way & calling")
    assert "On my way: next word in (min)" in window.text(form)  # not when one will be back
    window.type(f"{form} [name=check_in_minutes]", "20")
    window.click(f"{form} button")
    window.wait_for_text("acknowledged by Kari <b> at", "[data-rule=floor-leak]")
    assert world.commands == [
        Command(
            "acknowledge", "floor-leak", "Kari <b>", "on the way & calling", None, 20.0, "127.0.0.1"
        )
    ]
    assert "is on the way, to report by" in window.text("[data-rule=floor-leak]")
    window.wait_for("return !document.querySelector(arguments[0]).offsetParent", form)
    window.wait_for("return document.querySelector(arguments[0]).value === ''",
                    f"{form} [name=comment]")  # fmt: skip
    # The name belongs to the browser: the next visit knows it.
    window.go(server.url)
    window.wait_for("return document.querySelector('[data-keep=operator]')?.value === 'Kari <b>'")


def test_without_a_name_the_page_is_on_record(
    window: Browser, server: Server, world: World
) -> None:
    world.raise_alarm("room-too-hot", 29.0, "29 °C")
    visit(window, server)
    window.wait_for_text("Room too hot", ".ww-alarms")
    window.click("[data-rule=room-too-hot] .ww-more summary")
    form = "[data-rule=room-too-hot] [data-command=shelve]"
    window.type(f"{form} [name=minutes]", "90")
    window.click(f"{form} button")
    window.wait_for_text("Shelved until", ".ww-aside")
    assert world.commands == [
        Command("shelve", "room-too-hot", "page", "", 90.0, None, "127.0.0.1")
    ]
    window.click("[data-rule=room-too-hot] [data-command=unshelve] button")
    window.wait_for_text("Stands, not acknowledged", "[data-rule=room-too-hot]")
    window.wait_for("return !document.querySelector('.ww-aside').offsetParent")


def test_a_refused_command_is_explained_and_keeps_the_text(
    window: Browser, server: Server, world: World
) -> None:
    world.raise_alarm("floor-leak", 0.0, "Floor is wet")
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    world.answers = False
    form = "[data-rule=floor-leak] [data-command=acknowledge]"
    window.type(f"{form} [name=comment]", "I am there")
    window.click(f"{form} button")
    window.wait_for_text("Not done: the service does not run", "[data-rule=floor-leak]")
    assert window.value(f"{form} [name=comment]") == "I am there"
    assert world.commands == []
    window.wait_for_text("The core does not answer since", ".ww-top")


def test_live_without_reload_and_without_losing_what_is_typed(
    window: Browser, server: Server, world: World
) -> None:
    world.raise_alarm("return-flow-lost", 0.0, "0 L/h", ago=MINUTE)
    visit(window, server)
    window.wait_for_text("Return flow lost", ".ww-alarms")
    window.run("window.notReloaded = true")
    window.click("[data-rule=return-flow-lost] .ww-card summary")
    form = "[data-rule=return-flow-lost] [data-command=acknowledge]"
    window.type(f"{form} [name=comment]", "half a sen")

    world.read({LEVEL: 352, RETURN: 0})
    window.wait_for_text("352", f"[data-channel='{LEVEL}']")
    world.raise_alarm("floor-leak", 0.0, "Floor is wet")  # goes before the other one
    window.wait_for_text("Water on the floor", ".ww-alarms")
    window.wait_for_text("Water on the floor: raised", ".ww-right")
    window.wait_for("return document.title.startsWith('1 critical alarm')")

    window.type(f"{form} [name=comment]", "tence")
    assert window.value(f"{form} [name=comment]") == "half a sentence"
    assert window.run("return document.querySelector('[data-rule=return-flow-lost] .ww-card').open")
    rules = window.run(
        "return [...document.querySelectorAll('[data-rule]')].map(e => e.dataset.rule)"
    )
    assert rules == ["floor-leak", "return-flow-lost"]
    world.set_alarm(Alarm("floor-leak", AlarmState.NORMAL), "returned")
    window.wait_for("return !document.querySelector('[data-rule=floor-leak]')")
    assert window.run("return window.notReloaded") is True
    assert window.log() == []


def test_while_nothing_happens_nothing_but_the_clock_is_touched(
    window: Browser, server: Server, world: World
) -> None:
    trouble(world)
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    world.read(at=world.now() + 60 * MINUTE)  # so that none is called old meanwhile
    window.wait_for_text("own mosquitto", ".ww-broker")
    # On a busy machine the page may need a while until it has taken in the readings above; and
    # when a minute is full the ages of the alarms move on.
    for _ in range(10):
        before = window.text(".ww-clock")
        touched = touched_meanwhile(window)
        if touched == {"ww-clock"}:
            break
    assert touched == {"ww-clock"}
    assert window.text(".ww-clock") != before


def touched_meanwhile(window: Browser) -> set[str]:
    """Classes of what changes in the page until three things have."""
    window.run(
        "window.touched = [];"
        "window.watching?.disconnect();"
        "window.watching = new MutationObserver((all) => all.forEach(({target}) =>"
        "window.touched.push((target.nodeType === 3 ? target.parentElement : target).className)));"
        "window.watching.observe(document.querySelector('#app'), "
        "{subtree: true, childList: true, characterData: true, attributes: true})"
    )
    window.wait_for("return window.touched.length >= 3")
    return set(window.run("return window.touched"))


def test_an_unsent_comment_outlives_a_reload(window: Browser, server: Server, world: World) -> None:
    world.raise_alarm("floor-leak", 0.0, "Floor is wet")
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    comment = "[data-rule=floor-leak] [data-command=acknowledge] [name=comment]"
    window.type(comment, "the hose burst")
    window.go(server.url)
    window.wait_for("return document.querySelector(arguments[0])?.value", comment)
    assert window.value(comment) == "the hose burst"


def test_a_hung_core_does_not_hang_the_page(window: Browser, server: Server, world: World) -> None:
    world.raise_alarm("floor-leak", 0.0, "Floor is wet")
    visit(window, server)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    world.answers = None
    window.click("[data-rule=floor-leak] [data-command=acknowledge] button")
    window.wait_for_text("Sending…", "[data-rule=floor-leak]")
    before = window.text(".ww-clock")
    window.wait_for("return document.querySelector('.ww-clock').innerText !== arguments[0]", before)
    window.wait_for_text("The core does not answer since", ".ww-top")
    assert httpx.get(server.url).status_code == 200


def test_a_silent_channel_is_marked_by_word_and_shape(
    window: Browser, server: Server, world: World
) -> None:
    world.read(at=world.now() - 2 * MINUTE)
    row = f"[data-channel='{RETURN}']"
    visit(window, server)
    world.read()
    window.wait_for_text("just now", ".ww-flow")
    window.wait_for_text("silent, last", row)
    assert window.run(f'return !!document.querySelector("{row} svg.ww-mark")')
    window.wait_for_text("channels silent.", ".ww-overall")


def test_a_channel_opens_its_chart_by_keyboard(
    window: Browser, server: Server, world: World
) -> None:
    world.history(2)
    visit(window, server)
    window.run(f"document.querySelector(\"[data-channel='{RETURN}']\").focus()")
    window.type(f"[data-channel='{RETURN}']", "\ue007")  # Enter
    window.wait_for_text("Lowest", ".ww-dialog")
    window.wait_for("return document.querySelectorAll('.ww-chart svg path').length > 3")
    assert "Sump: Return flow" in window.text(".ww-dialog h2")
    window.run("[...document.querySelectorAll('.ww-spans button')][1].click()")
    window.wait_for("return document.querySelectorAll('.ww-spans [aria-pressed=true]')"
                    "[0].innerText === '24 hours'")  # fmt: skip
    window.type(".ww-dialog button", "\ue00c")  # Escape
    window.wait_for("return !document.querySelector('.ww-dialog')")
    assert window.log() == []


def test_nothing_is_fetched_from_elsewhere(window: Browser, server: Server, world: World) -> None:
    world.history(1)
    visit(window, server)
    window.click(f"[data-channel='{RETURN}']")
    window.wait_for("return document.querySelectorAll('.ww-chart svg path').length > 3")
    asked = window.requests()
    assert len(asked) > 5
    assert [address for address in asked if not address.startswith((server.url, "data:"))] == []


def test_the_page_says_when_the_web_is_gone(window: Browser, world: World) -> None:
    server = Server(world)
    server.start()
    try:
        visit(window, server)
    finally:
        server.close()
    window.wait_for("return !document.getElementById('ww-lost').hidden")
    assert "lost contact with Weirwatch. What you see is as of" in window.text("#ww-lost")


@pytest.mark.parametrize("dark", [False, True])
def test_words_are_readable(window: Browser, server: Server, world: World, dark: bool) -> None:
    trouble(world)
    visit(window, server)
    window.size(*PHONE, mobile=True, dark=dark)
    window.wait_for_text("Water on the floor", ".ww-alarms")
    window.run("document.querySelectorAll('details').forEach((one) => (one.open = true))")
    poor = window.run(_CONTRAST)
    assert poor == []


# WCAG 2.2, 1.4.3: contrast of at least 4.5 between words and the ground they stand on;
# relative luminance and contrast ratio as the recommendation defines them.
_CONTRAST = """
const light = (c) => (c <= 10 ? c / 3294.6 : ((c / 255 + 0.055) / 1.055) ** 2.4);
const luminance = ([r, g, b]) => 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b);
const parse = (text) => text.match(/[0-9.]+/g).map(Number);
function ground(e) {
  for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c;
  }
  return [255, 255, 255];
}
const poor = [];
for (const e of document.querySelectorAll('#app *')) {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  if (!own || !e.offsetParent || e.closest('svg') || e.disabled) continue;
  const [a, b] = [luminance(parse(getComputedStyle(e).color)), luminance(ground(e))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) poor.push(`${e.textContent.trim().slice(0, 40)}: ${ratio.toFixed(2)}`);
}
return poor;
"""


def test_a_link_opens_the_page_at_its_alarm(window: Browser, server: Server, world: World) -> None:
    for rule in ("mains-lost", "floor-leak", "sump-level-high", "return-flow-lost"):
        world.raise_alarm(rule, 0.0, "look", ago=MINUTE)
    window.size(*PHONE, mobile=True)
    window.go("about:blank")
    window.go(f"{server.url}#alarm=return-flow-lost")
    found = "return document.activeElement?.dataset?.rule"
    window.wait_for(f"{found} === 'return-flow-lost'")
    top = window.run("return document.activeElement.getBoundingClientRect().top")
    assert isinstance(top, int | float)
    assert -5 <= top <= 400
    assert window.run("return document.activeElement.querySelector('details.ww-card').open")
    window.run("location.hash = '#alarm=mains-lost'")
    window.wait_for(f"{found} === 'mains-lost'")
    window.run("location.hash = '#alarm=%E0%A4%A'")  # not UTF-8: nothing happens
    window.run("location.hash = '#alarm=long-gone'")
    assert window.run(found) == "mains-lost"


def log_page(window: Browser, server: Server) -> Browser:
    window.size(*PHONE, mobile=True)
    window.go("about:blank")
    window.log()
    window.go(f"{server.url}log")
    window.wait_for("return document.querySelectorAll('.ww-write details').length > 5")
    window.wait_for("return !document.body.innerText.includes('Being reckoned')", within_s=60)
    return window


def store(window: Browser, form: str, value: str) -> None:
    window.run(f"document.querySelector('{form}').open = true")
    window.run(f"document.querySelector('{form} input[name=value]').value = ''")
    window.type(f"{form} input[name=value]", value)
    window.click(f"{form} button.ww-main")


def test_the_log_on_a_phone_questions_before_it_stores(
    window: Browser, server: Server, world: World, tmp_path: Path
) -> None:
    log_page(window, server)
    assert window.run("return document.documentElement.scrollWidth") == PHONE[0]
    form = "details[data-kind=test]"
    for subject, unit in (("phosphate", "mg/L"), ("salinity", "psu"), ("alkalinity", "dKH")):
        window.run(
            f"const s = document.querySelector('{form} select'); s.value = arguments[0];"
            "s.dispatchEvent(new Event('change'))",
            subject,
        )
        window.wait_for(  # the usual unit of what is tested is the one that is chosen
            f"return document.querySelector('{form} [name=unit]').value === arguments[0]", unit
        )
    store(window, form, "82")
    window.wait_for_text("is impossible", form)
    assert not window.run(f"return document.querySelector('{form} .ww-meant').offsetParent")
    store(window, form, "2,2")
    window.wait_for_text("outside 3 to 20", form)
    assert world.archive.log(None, None, (), 0, 10) == []
    window.click(f"{form} .ww-meant")
    window.wait_for_text("Stored.", form)
    window.wait_for_text("Hand test: Alkalinity 2.2 dKH", ".ww-log")
    (entry,) = world.archive.log(None, None, (), 0, 10)
    assert (entry.value, entry.who) == (2.2, "page")

    picture = tmp_path / "anemone.png"
    window.screenshot(picture)
    window.run("document.querySelector('.ww-log details').open = true")
    window.type(".ww-log input[type=file]", str(picture))
    wait_for(lambda: world.archive.log(None, None, (), 0, 10)[0].photos)
    window.wait_for(  # in so many words, until the entry is shown with it
        "return document.querySelector('.ww-log img')"
        " || document.querySelector('.ww-log').innerText.includes('The photo is stored')"
    )
    ((photo,),) = [e.photos for e in world.archive.log(None, None, (), 0, 10)]
    assert photo.media_type == "image/jpeg"  # shrunk on the way
    assert photo.size <= 700_000

    window.run("document.querySelector('.ww-log details').open = true")  # made anew, perhaps
    window.click(".ww-log details .ww-form > button.ww-button")
    window.wait_for_text("takes the place of no. 1", ".ww-correcting")
    window.wait_for(f"return document.querySelector('{form} input[name=value]').value === '2.2'")
    store(window, form, "8,2")
    window.wait_for_text("Stored.", f"{form} .ww-outcome")
    window.wait_for_text("Alkalinity 8.2 dKH", ".ww-log")
    old, new = world.archive.log(None, None, (), 0, 10)
    assert (old.replaced_by, new.replaces) == (new.number, old.number)
    assert window.log() == []


def test_a_job_is_done_with_one_touch(window: Browser, server: Server, world: World) -> None:
    log_page(window, server)
    window.wait_for_text("Clean the return pump every 90 days; never done yet", ".ww-right")
    window.click(".ww-right .ww-button")
    window.wait_for_text("written down", "body")
    (entry,) = world.archive.log(None, None, (), 0, 10)
    assert (entry.kind, entry.subject) == ("maintenance", "return-pump-cleaning")
    assert window.log() == []


def test_a_proof_is_read_step_by_step_and_put_on_record(
    window: Browser, server: Server, world: World
) -> None:
    log_page(window, server)
    window.wait_for_text("never proved · DUE", ".ww-proofs")
    row = f".ww-proofs li[data-channel='{LEVEL}']"
    window.run(f'document.querySelector("{row} details").open = true')
    window.wait_for_text("see that it cannot come back by itself", f"{row} .ww-steps")
    window.click(f"{row} .ww-button")
    window.wait_for_text("level · passed", row)
    (entry,) = world.archive.log(None, None, (), 0, 10)
    assert (entry.kind, entry.channel, entry.subject) == ("proof", LEVEL, "passed")
    assert window.log() == []


def test_the_page_says_how_many_things_wait(window: Browser, server: Server, world: World) -> None:
    visit(window, server)
    # two jobs that were never done, and a pH probe that was never calibrated
    window.wait_for_text("Log, upkeep and reports: 3 things wait", ".ww-nav")


@contextmanager
def signed_in(window: Browser, world: World, name: str, role: Role) -> Iterator[str]:
    """The page of somebody who has signed in; its address is yielded."""
    now = world.clock.now().utc
    with closing(SqliteBook(world.path)) as book, closing(SqliteRegister(world.path)) as register:
        token, text = make_token(name, role, now, None)
        register.add(token)
        access = Access(book, AccessDesk(register, world.clock).handle, world.clock)
        server = Server(world, access=access)
        server.start()
        try:
            window.size(*PHONE, mobile=True)
            window.go(server.url)
            window.type("#token", text)
            window.click("button")
            window.wait_for("return location.pathname !== '/sign-in'")
            yield server.url
        finally:
            window.go("about:blank")
            server.close()


def test_whoever_is_signed_in_is_told_the_name_on_record_not_asked_for_one(
    window: Browser, world: World
) -> None:
    with signed_in(window, world, "tablet", Role.OPERATE) as url:
        for path in ("", "log"):
            window.go(url + path)
            said = "return document.querySelector('.ww-who')?.textContent"
            assert window.wait_for(said) == "On record as tablet."


PAUSE = "[data-work=feeding-pause]"


def open_pause(window: Browser) -> None:
    window.wait_for_text("Feeding pause", ".ww-works")
    window.click(f"{PAUSE} summary")


def send_pause(window: Browser, minutes: str, comment: str = "") -> None:
    form = f"{PAUSE} [data-command=start]"
    window.run(f"document.querySelector('{form} [name=minutes]').value = ''")
    window.type(f"{form} [name=minutes]", minutes)
    window.type(f"{form} [name=comment]", comment)
    window.click(f"{form} button")


def test_a_feeding_pause_is_begun_and_ended_on_the_page(
    window: Browser, server: Server, world: World
) -> None:
    visit(window, server)
    world.read()
    window.wait_for_text("All quiet.", ".ww-overall")
    open_pause(window)
    assert not window.run("return document.querySelector('.ww-strip').offsetParent")
    said = window.text(PAUSE)
    assert "Keeps quiet: Return flow lost, Reactor flow lost." in said
    assert "Bold failures are never kept quiet: Water on the floor, Mains power lost." in said
    assert "this must hold: Sump: Return flow above 4500 L/h." in said
    assert window.value(f"{PAUSE} [name=minutes]") == "10"
    window.type(f"{PAUSE} [data-keep=operator]", "Kari")
    send_pause(window, "12", "mysis <b>")
    window.wait_for_text("Feeding pause is under way until", ".ww-strip")
    (asked,) = world.works
    assert asked == {
        "name": "start", "work": "feeding-pause", "who": "Kari", "comment": "mysis <b>",
        "minutes": 12.0, "remote": "127.0.0.1",
    }  # fmt: skip
    strip = window.text(".ww-strip")
    assert "by Kari, “mysis <b>”" in strip
    assert "Reactor flow lost, Return flow lost." in strip
    window.wait_for_text("Feeding pause is under way. 2 alarms shelved.", ".ww-overall")
    # what it keeps quiet is told with it and needs no card while nothing is wrong
    assert not window.run("return document.querySelector('.ww-aside').offsetParent")
    assert "Move its end" in window.text(PAUSE)
    assert window.value(f"{PAUSE} [data-command=start] [name=minutes]") == "10"  # made anew
    window.click(f"{PAUSE} [data-command=end] button")
    window.wait_for_text("it is checked whether all is back to normal", ".ww-strip")
    assert [asked["name"] for asked in world.works] == ["start", "end"]
    assert not window.run(f"return document.querySelector('{PAUSE} [name=comment]').offsetParent")
    assert "Begin again" in window.text(PAUSE)
    assert window.log() == []


@pytest.mark.parametrize(
    ("flow", "said"),
    [
        (6000, "Feeding pause has ended, and all is back to normal"),
        (0, "Feeding pause has ended, but"),
    ],
)
def test_a_feeding_pause_ends_by_itself_and_its_check_is_told(
    window: Browser, tmp_path: Path, flow: float, said: str
) -> None:
    world = World(tmp_path, scaled_clock(30.0, SystemClock().now().utc))
    with closing(world):
        server = Server(world)
        server.start()
        try:
            visit(window, server)
            # ahead of its time, so that it is not called old whenever the check is made
            world.read({RETURN: flow}, world.now() + 600 * MINUTE)
            open_pause(window)
            send_pause(window, "5")  # ten seconds, and four to settle
            window.wait_for_text(said, ".ww-strip")
            assert [asked["name"] for asked in world.works] == ["start"]
            if flow:
                window.wait_for_text("back to normal", f"{PAUSE} summary")
            else:
                window.wait_for_text("NOT back to normal", f"{PAUSE} summary")
                window.wait_for_text("Planned work not ended", ".ww-alarms")
                assert window.run("return !!document.querySelector('.ww-strip .ww-amiss')")
        finally:
            window.go("about:blank")
            server.close()


def test_work_begun_elsewhere_is_seen_by_its_news_and_found_by_keyboard(
    window: Browser, world: World, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    monkeypatch.setattr("weirwatch.web.page.watch._WORKS_EVERY_S", 600.0)
    server: Server = request.getfixturevalue("server")
    visit(window, server)
    window.wait_for_text("Water change", ".ww-works")
    world.work({"name": "start", "work": "water-change", "who": "Ola", "comment": ""})
    window.wait_for_text("Water change is under way until", ".ww-strip")
    assert "by Ola" in window.text(".ww-strip")
    window.type("[data-glance=water-change]", "\ue007")  # Enter
    work = "document.querySelector('[data-work=water-change]')"
    window.wait_for(f"return {work}.open && document.activeElement === {work}")
    window.type("[data-work=water-change] [data-command=end] button", " ")
    window.wait_for_text("Water change has ended. At", ".ww-strip")


def test_what_the_core_refuses_stands_next_to_the_button_and_nothing_is_claimed(
    window: Browser, server: Server, world: World
) -> None:
    visit(window, server)
    open_pause(window)
    form = f"{PAUSE} [data-command=start]"
    assert window.run(f"return document.querySelector('{form} [name=minutes]').max") == "718"
    window.run(f"document.querySelector('{form}').noValidate = true")
    send_pause(window, "800", "long")
    window.wait_for_text("Not done: feeding-pause: 800 minutes refused, at most 718", PAUSE)
    send_pause(window, "0")
    window.wait_for_text("Minutes must be a number above 0; nothing was changed.", PAUSE)
    world.answers = False
    send_pause(window, "10")
    window.wait_for_text("Not done: the service does not run", PAUSE)
    assert window.value(f"{form} [name=comment]") == "long"
    assert world.works == []
    assert not window.run("return document.querySelector('.ww-strip').offsetParent")


def test_a_viewer_sees_planned_work_but_cannot_begin_it(window: Browser, world: World) -> None:
    with signed_in(window, world, "wall tablet", Role.VIEW):
        world.work({"name": "start", "work": "water-change", "who": "Kari", "comment": ""})
        window.wait_for_text("Water change is under way until", ".ww-strip")
        open_pause(window)
        assert "On record as wall tablet." in window.text(PAUSE)
        send_pause(window, "10")
        window.wait_for_text("Not done: the token 'wall tablet' may only view", PAUSE)
        assert [asked["work"] for asked in world.works] == ["water-change"]


def test_whoever_is_signed_in_begins_work_in_that_name(window: Browser, world: World) -> None:
    with signed_in(window, world, "tablet", Role.OPERATE):
        open_pause(window)
        send_pause(window, "10")
        window.wait_for_text("by tablet", ".ww-strip")
        assert [asked["who"] for asked in world.works] == ["tablet"]
