// Home of what the page does in the browser by itself: it keeps typed text and the operator's
// name over a reload, reads a form when it is sent, and says so when nothing comes from the
// service any more.
window.weirwatch = (() => {
  const QUIET_MS = 6000; // the server shows a new time every second
  let heard = Date.now();

  const clock = () => document.querySelector(".ww-clock");

  // The operator's name belongs to the browser, an unsent comment to this tab.
  const shelfOf = (key) => (key === "operator" ? localStorage : sessionStorage);

  function remember(event) {
    const key = event.target?.dataset?.keep;
    if (key) shelfOf(key).setItem(`weirwatch ${key}`, event.target.value);
  }

  function recall() {
    for (const input of document.querySelectorAll("[data-keep]")) {
      const kept = shelfOf(input.dataset.keep).getItem(`weirwatch ${input.dataset.keep}`);
      if (kept && !input.value) input.value = kept;
    }
  }

  function fields(form) {
    const found = Object.fromEntries(new FormData(form).entries());
    found.operator = document.querySelector("[data-keep=operator]")?.value ?? "";
    return found;
  }

  function clear(id) {
    const form = document.getElementById(`c${id}`);
    for (const input of form?.querySelectorAll("[data-keep]") ?? []) {
      shelfOf(input.dataset.keep).removeItem(`weirwatch ${input.dataset.keep}`);
    }
    form?.reset();
  }

  function look() {
    const banner = document.getElementById("ww-lost");
    if (!banner) return;
    const lost = Date.now() - heard > QUIET_MS;
    if (lost && banner.hidden) {
      const last = clock()?.textContent;
      banner.textContent =
        "This page has lost contact with Weirwatch. " +
        (last ? `What you see is as of ${last}. ` : "") +
        "It tries again by itself.";
    }
    banner.hidden = !lost;
    document.body.classList.toggle("ww-stale", lost);
  }

  function start() {
    heard = Date.now();
    recall();
    const shown = clock();
    if (shown) {
      new MutationObserver(() => {
        heard = Date.now();
        look();
      }).observe(shown, { childList: true, characterData: true, subtree: true });
    }
    openLinked();
  }

  // A notice links to #alarm=RULE: the page opens at that card, once it is there.
  function openLinked(tries = 40) {
    const link = location.hash.match(/^#alarm=(.+)$/);
    if (!link) return;
    let rule = link[1];
    try {
      rule = decodeURIComponent(rule);
    } catch {
      return;
    }
    const cards = [...document.querySelectorAll(".ww-alarm")];
    const card = cards.find((one) => one.dataset.rule === rule);
    if (!card) {
      if (tries > 0) setTimeout(openLinked, 250, tries - 1);
      return;
    }
    const safety = card.querySelector("details.ww-card");
    if (safety) safety.open = true;
    card.tabIndex = -1;
    card.scrollIntoView({ block: "start" });
    card.focus({ preventScroll: true });
  }

  document.addEventListener("input", remember);
  window.addEventListener("hashchange", () => openLinked());
  document.addEventListener("visibilitychange", look);
  setInterval(look, 1000);

  return { start, fields, clear };
})();
