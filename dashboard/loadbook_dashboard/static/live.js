// Keeps the page true: listens to the server's events, reads changed parts again, and keeps "18 min ago" counting.
// Without scripts every page still works; it is then as old as its last load.
"use strict";
(() => {
  const root = document.documentElement;
  const mark = document.querySelector("[data-livemark]");
  const markText = document.querySelector("[data-livetext]");
  const unlinked = document.querySelector("[data-unlinked]");
  let base = { now: Number(root.dataset.nowMs), at: performance.now(), speed: Number(root.dataset.speed) || 1 };
  let paused = false;
  let heard = false;
  let linked = true; // to the broker: without it nothing new arrives, however alive the server is

  const NARROW = "\u202f";
  const live = (window.loadbook = {
    now: () => base.now + (performance.now() - base.at) * base.speed,
    watts(value) {
      if (value === null || value === undefined) return "—";
      const digits = Math.abs(value) < 9.95 ? 1 : 0;
      return live.number(value, digits) + NARROW + "W";
    },
    number(value, digits) {
      return value.toFixed(digits).replace(/\B(?=(\d{3})+(?!\d))(?<!\.\d*)/g, NARROW).replace("-", "−");
    },
    duration(seconds) {
      const whole = Math.max(0, Math.round(seconds));
      if (whole < 100) return `${whole}${NARROW}s`;
      let minutes = Math.round(whole / 60);
      if (minutes < 60) return `${minutes}${NARROW}min`;
      let hours = Math.floor(minutes / 60);
      minutes %= 60;
      if (hours < 48) return `${hours}${NARROW}h ${String(minutes).padStart(2, "0")}${NARROW}min`;
      return `${Math.floor(hours / 24)} days ${hours % 24}${NARROW}h`;
    },
    isPaused: () => paused,
  });

  function tell(name, detail) {
    document.dispatchEvent(new CustomEvent(`loadbook:${name}`, { detail }));
  }

  function count() {
    const now = live.now();
    for (const el of document.querySelectorAll("[data-behind]")) {
      const parts = el.dataset.slots ? [...el.querySelectorAll("[data-slot]")] : [el];
      if (!parts.some(busy) && !paused) {
        delete el.dataset.behind;
        readAgain(el);
      }
    }
    for (const el of document.querySelectorAll("[data-ago]")) {
      const text = `(${live.duration((now - Number(el.dataset.ago)) / 1000)})`;
      if (el.textContent !== text) el.textContent = text;
    }
    for (const el of document.querySelectorAll("[data-for]")) {
      const text = live.duration((now - Number(el.dataset.for)) / 1000);
      if (el.textContent !== text) el.textContent = text;
    }
    for (const el of document.querySelectorAll("[data-in]")) {
      const left_s = (Number(el.dataset.in) - now) / 1000;
      const text = left_s < 1 ? "a moment" : live.duration(left_s);
      if (el.textContent !== text) el.textContent = text;
    }
    for (const el of document.querySelectorAll("[data-meter][data-last-ms]")) {
      const stale = now - Number(el.dataset.lastMs) > 10000 * Math.max(1, base.speed / 4);
      if (stale && !el.classList.contains("stale")) {
        el.classList.add("stale");
        const said = el.querySelector("[data-power-said]");
        if (said) said.textContent = "drew last";
      }
    }
  }

  // Parts of the page that are read again when what they show has changed. Reads are gathered: one a part at a time.
  const reading = new Map();
  async function readAgain(el) {
    if (reading.get(el)) {
      reading.set(el, "again");
      return;
    }
    reading.set(el, "now");
    try {
      const answer = await fetch(el.dataset.part, { headers: { Accept: "text/html" } });
      if (answer.ok) put(el, await answer.text());
      else if (answer.status === 401) shownTheDoor();
    } catch {
      // the stream says when the server is back, and everything is read again then
    }
    const again = reading.get(el) === "again";
    reading.delete(el);
    if (again) readAgain(el);
  }

  // The session has ended: the page itself leads to the door, unless somebody is writing on it.
  function shownTheDoor() {
    if (![...document.querySelectorAll("[data-part]")].some(busy)) location.reload();
  }

  // Somebody is writing there: it is read again when he has done.
  function busy(el) {
    const active = document.activeElement;
    if (el.contains(active) && active.matches("input, textarea, select")) return true;
    return [...el.querySelectorAll("input:not([type=hidden]), textarea")].some((i) => i.value !== i.defaultValue);
  }

  function put(el, text) {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    if (!el.dataset.slots) {
      if (busy(el)) el.dataset.behind = "yes";
      else swap(el, fresh.body);
      return;
    }
    for (const name of el.dataset.slots.split(" ")) {
      const old = el.querySelector(`[data-slot="${name}"]`);
      const now = fresh.querySelector(`[data-slot="${name}"]`);
      if (!old || !now) continue;
      if (busy(old)) el.dataset.behind = "yes";
      else swap(old, now);
    }
  }

  function swap(old, fresh) {
    const active = document.activeElement;
    const href = old.contains(active) ? active.getAttribute("href") : null;
    const opened = [...old.querySelectorAll("details")].map((d) => d.open);
    for (const meter of old.querySelectorAll("[data-meter][data-last-ms]")) {
      const same = fresh.querySelector(`[data-meter="${CSS.escape(meter.dataset.meter)}"]`);
      if (same) same.replaceWith(meter);
    }
    old.replaceChildren(...fresh.childNodes);
    [...old.querySelectorAll("details")].forEach((d, i) => { if (i in opened) d.open = opened[i]; });
    if (href) old.querySelector(`[href="${CSS.escape(href)}"]`)?.focus();
    count();
  }

  function changed(machine) {
    for (const el of document.querySelectorAll("[data-part]")) {
      const of = el.dataset.of;
      if (of === machine || of === "*" || machine === "*") readAgain(el);
    }
  }

  function reading_(data) {
    for (const el of document.querySelectorAll(`[data-meter="${CSS.escape(data.meter)}"]`)) {
      const figure = el.querySelector("[data-power]");
      if (!figure) continue;
      figure.textContent = live.watts(data.power_w);
      el.dataset.lastMs = data.at_ms;
      el.classList.remove("stale");
      const said = el.querySelector("[data-power-said]");
      if (said) said.textContent = "draws now";
      const volts = el.querySelector("[data-volts]");
      if (volts && data.voltage_v !== undefined) volts.textContent = `${live.number(data.voltage_v, 1)}${NARROW}V`;
    }
  }

  function show() {
    mark.hidden = false;
    mark.classList.toggle("paused", paused);
    mark.classList.toggle("off", !paused && !(heard && linked));
    mark.setAttribute("aria-pressed", String(paused));
    markText.textContent = paused ? "Paused" : heard && linked ? "Live" : "Not live";
    mark.title = paused ? "Go on showing changes" : "Stop showing changes";
  }

  let source = null;
  let silence = 0;
  function listen() {
    source = new EventSource("/events");
    const alive = () => {
      clearTimeout(silence);
      silence = setTimeout(() => { heard = false; show(); }, 15000);
      if (!heard) { heard = true; show(); }
    };
    const on = (name, act) => source.addEventListener(name, (event) => {
      alive();
      if (!paused) act(JSON.parse(event.data));
      tell(name, JSON.parse(event.data));
    });
    on("hello", (data) => {
      if (data.boot !== root.dataset.boot) { location.reload(); return; }
      base = { now: data.now_ms, at: performance.now(), speed: data.speed };
      changed("*");
    });
    on("beat", (data) => { base = { now: data.now_ms, at: performance.now(), speed: data.speed }; });
    on("link", (data) => {
      linked = data.linked;
      show();
      const trouble = data.trouble ? `Recording is in trouble: ${data.trouble}.` : "";
      unlinked.textContent = data.linked ? trouble : "The broker cannot be reached: nothing new arrives. What is shown may be old.";
    });
    on("reading", reading_);
    on("machine", (data) => {
      changed(data.machine);
      if (data.what !== "phase") changed("meters");
    });
    on("meters", () => changed("meters"));
    on("afresh", () => changed("*"));
    source.onerror = () => {
      heard = false;
      show();
      if (source.readyState === EventSource.CLOSED) { // refused: too many watch already, or the session has ended
        setTimeout(listen, 5000);
        for (const el of document.querySelectorAll("[data-part]")) readAgain(el);
      }
    };
  }

  if (mark) mark.addEventListener("click", () => {
    paused = !paused;
    show();
    if (!paused) changed("*");
  });
  window.addEventListener("pagehide", () => source?.close());
  window.addEventListener("pageshow", (event) => { if (event.persisted) listen(); });
  listen();
  setInterval(count, 1000);
  // figures that grow while nothing changes: energy so far, the running phase
  setInterval(() => {
    if (!paused && heard) for (const el of document.querySelectorAll("[data-every]")) readAgain(el);
  }, 20000);
})();
