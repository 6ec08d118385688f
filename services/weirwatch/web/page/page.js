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
    if (!key) return;
    shelfOf(key).setItem(`weirwatch ${key}`, event.target.value);
    for (const other of document.querySelectorAll("[data-keep]")) {
      if (other.dataset.keep === key && other !== event.target) other.value = event.target.value;
    }
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

  const operator = () => document.querySelector("[data-keep=operator]")?.value ?? "";

  // Opens the form of one kind of entry with what an earlier entry says.
  function fill(kind, values) {
    const box = document.querySelector(`details[data-kind="${kind}"]`);
    if (!box) return;
    box.open = true;
    const put = (name, value) => {
      const input = box.querySelector(`[name="${name}"]`);
      if (!input || value === null || value === "") return;
      const offered = [...(input.options ?? [])].map((option) => option.value);
      if (input.tagName === "SELECT" && !offered.includes(value)) return;
      input.value = value;
      if (input.tagName === "SELECT") input.dispatchEvent(new Event("change"));
    };
    for (const name of ["subject", "channel", "value", "text"]) put(name, values[name]);
    setTimeout(() => put("unit", values.unit), 1000); // the units of the subject come first
    box.scrollIntoView({ block: "start" });
  }

  // A phone's picture is shrunk here: it is quicker to send, and its place and time stay here.
  async function shrunk(file) {
    const picture = await createImageBitmap(file);
    for (const [side, quality] of [[1600, 0.85], [1600, 0.7], [1200, 0.7], [900, 0.6]]) {
      const scale = Math.min(1, side / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(picture.width * scale));
      canvas.height = Math.max(1, Math.round(picture.height * scale));
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", quality));
      if (blob && blob.size <= 700000) return blob;
    }
    throw new Error("the picture cannot be made small enough");
  }

  async function photo(input, number) {
    const file = input.files?.[0];
    const outcome = input.closest("details").querySelector(".ww-outcome");
    const say = (text) => {
      outcome.textContent = text;
      outcome.style.display = "";
    };
    if (!file) return;
    say("Sending the photo…");
    try {
      const body = await shrunk(file);
      const headers = { "Content-Type": "image/jpeg", operator: operator() || "page" };
      const address = `/api/v1/log/${number}/photos`;
      const answer = await fetch(address, { method: "POST", body, headers });
      const said = await answer.json();
      say(answer.ok ? "The photo is stored; it is shown within half a minute." : `Not stored: ${said.detail}`);
    } catch (error) {
      say(`Not stored: ${error.message}`);
    }
    input.value = "";
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
    goTo(card);
  }

  function goTo(element) {
    element.tabIndex = -1;
    element.scrollIntoView({ block: "start" });
    element.focus({ preventScroll: true });
  }

  // What is said at the top of planned work leads to it.
  function openWork(id) {
    const work = [...document.querySelectorAll(".ww-work")].find((one) => one.dataset.work === id);
    if (!work) return;
    work.open = true;
    goTo(work);
  }

  document.addEventListener("input", remember);
  window.addEventListener("hashchange", () => openLinked());
  document.addEventListener("visibilitychange", look);
  setInterval(look, 1000);

  return { start, openWork, fields, clear, recall, operator, fill, photo };
})();
