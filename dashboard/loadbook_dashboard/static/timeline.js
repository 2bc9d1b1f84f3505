// The timeline of one machine: power over time with phases, windows and pins, voltage and power factor underneath.
// The server sends the least and the most of every pixel column; a live reading is added at the right edge.
"use strict";
(() => {
  const live = window.loadbook, lanes = window.lanes, expected = window.expected;
  const QUANTITIES = [
    { key: "power_w", name: "Power, W", unit: "W", height: 330, digits: (v) => (Math.abs(v) < 9.95 ? 1 : 0) },
    { key: "voltage_v", name: "Supply voltage, V", unit: "V", height: 110, digits: () => 1 },
    { key: "power_factor", name: "Power factor", unit: "", height: 95, digits: () => 2 },
  ];
  const GAP_MS = 10000;
  const SHORTEST_MS = 30000;

  class Timeline {
    constructor(figure) {
      this.figure = figure;
      const d = figure.dataset;
      this.whole = [Number(d.fromMs), Number(d.toMs)];
      this.live = d.live === "yes";
      this.follow = this.live;
      this.plots = {};
      this.data = null;
      this.laid = { phases: [], pins: [] };
      this.selected = null;
      this.zone = document.documentElement.dataset.zone;
      this.colour = lanes.colours(figure);
      this.place = figure.querySelector("[data-plots]");
      this.empty = figure.querySelector("[data-empty]");
      this.said = figure.querySelector("[data-reading]");
      this.hour = new Intl.DateTimeFormat("en-GB", { timeZone: this.zone, hour: "2-digit", minute: "2-digit" });
      this.second = new Intl.DateTimeFormat("en-GB", { timeZone: this.zone, hour: "2-digit", minute: "2-digit", second: "2-digit" });
      this.dayhour = new Intl.DateTimeFormat("en-GB", { timeZone: this.zone, weekday: "short", day: "numeric", month: "short" });
      this.view = this.margined();
      this.listen();
      this.load();
    }

    // the whole cycle with a little air; a running one with the rest of its phase's window
    margined() {
      let [from, to] = this.whole;
      if (this.live && !this.figure.dataset.cycle) {
        const span = to - from;
        return [live.now() - span, live.now() + span * 0.02];
      }
      if (this.live) {
        to = live.now();
        const open = this.laid.phases.find((p) => p.end_ms === null);
        if (open && open.max_s) to = Math.max(to, Math.min(open.start_ms + open.max_s * 1000, to + (to - from) * 0.5));
      }
      const air = Math.max(20000, (to - from) * 0.02);
      return [from - air, to + air];
    }

    columns() {
      return Math.max(100, Math.min(2000, Math.round((this.place.clientWidth - 70) || 300)));
    }

    async load() {
      const [from, to] = this.view.map(Math.round);
      const d = this.figure.dataset;
      const ask = ++this.asked || (this.asked = 1);
      try {
        const cycle = d.cycle ? `cycle=${d.cycle}` : `from_ms=${from}&to_ms=${to}`;
        const [laid, data] = await Promise.all([
          fetch(`${d.timeline}?${cycle}`).then((r) => r.json()),
          fetch(`${d.trace}?from_ms=${from}&to_ms=${to}&columns=${this.columns()}`).then((r) => r.json()),
        ]);
        if (ask !== this.asked) return;
        const first = this.data === null;
        this.laid = laid;
        this.data = data;
        if (first && this.live) {
          this.view = this.margined();
        }
        this.draw();
        this.figure.dataset.ready = "yes";
        if (first && this.live) this.load();
      } catch {
        this.said.textContent = "The trace could not be read. It is tried again when something changes.";
      }
    }

    // One line through least and most of every column, so that a spike of a single reading is drawn.
    line(key) {
      const { at_ms, step_ms } = this.data;
      const q = this.data[key];
      const x = [], y = [];
      for (let i = 0; i < at_ms.length; i++) {
        const low = q.min[i], high = q.max ? q.max[i] : low;
        x.push(at_ms[i] / 1000);
        y.push(low);
        if (high !== null && high !== low) {
          x.push((at_ms[i] + step_ms / 2) / 1000);
          y.push(high);
        }
      }
      return [x, y];
    }

    draw() {
      const width = Math.max(280, this.place.clientWidth);
      for (const q of QUANTITIES) {
        const there = this.data[q.key];
        if (!there) {
          if (this.plots[q.key]) { this.plots[q.key].destroy(); this.place.querySelector(`[data-plot="${q.key}"]`)?.remove(); delete this.plots[q.key]; }
          continue;
        }
        const data = this.line(q.key);
        if (this.plots[q.key]) {
          this.plots[q.key].setData(data, false);
        } else {
          this.plots[q.key] = this.make(q, data, width);
        }
      }
      this.scale();
      const none = this.data.at_ms.length === 0;
      this.empty.hidden = !none;
      const res = this.figure.querySelector("[data-resolution]");
      if (res) res.textContent = none ? "" : this.data.step_ms > 0 ? `Drawn as the least and the most of every ${live.duration(this.data.step_ms / 1000)}.` : "Every reading is drawn.";
    }

    scale() {
      const [min, max] = this.view.map((ms) => ms / 1000);
      for (const key in this.plots) this.plots[key].setScale("x", { min, max });
      this.pins();
    }

    make(q, data, width) {
      const holder = document.createElement("div");
      holder.className = "plot";
      holder.dataset.plot = q.key;
      const name = document.createElement("p");
      name.className = "plotname";
      name.textContent = q.name;
      holder.append(name);
      const main = q.key === "power_w";
      if (main) {
        holder.tabIndex = 0;
        holder.setAttribute("role", "group");
        holder.setAttribute("aria-label", "Power over time. Arrow keys move the cursor, plus and minus zoom, Home shows the whole.");
        holder.addEventListener("keydown", (event) => this.key(event));
      }
      this.place.append(holder);
      const c = this.colour;
      const narrow = width < 560;
      const timed = main || q.key === "power_factor" || !this.data.power_factor; // the lowest one has the hours
      const font = `${narrow ? 11 : 13}px system-ui, "Liberation Sans", Arial, sans-serif`;
      const nominal = Number(this.figure.dataset.nominalV), tolerance = Number(this.figure.dataset.tolerance);
      const axis = { stroke: () => this.colour.soft, font, grid: { stroke: () => this.colour.rule, width: 1 }, ticks: { stroke: () => this.colour.rule, width: 1 } };
      const stroke = { power_w: () => this.colour.ink, voltage_v: () => this.colour.voltage, power_factor: () => this.colour.factor }[q.key];
      return new uPlot({
        width, height: main && narrow ? 280 : q.height,
        padding: [main ? lanes.HEAD : 24, 18, main ? lanes.FOOT : 0, 0],
        legend: { show: false },
        cursor: { sync: { key: this.figure.dataset.machine }, drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
        scales: {
          x: { time: true },
          y: { range: (u, low, high) => this.range(q.key, low, high, nominal) },
        },
        series: [{}, { stroke, width: main ? 1.5 : 1.2, points: { show: false }, spanGaps: false }],
        axes: [
          { ...axis, show: true, size: timed ? 30 : 8, space: narrow ? 55 : 70, values: (u, splits) => timed ? this.times(splits) : [] },
          { ...axis, size: narrow ? 50 : 58, space: main ? 40 : 26, splits: q.key === "voltage_v" ? (u, i, low, high) => [Math.ceil(low / 5) * 5, nominal, Math.floor(high / 5) * 5] : undefined, values: (u, splits) => splits.map((v) => live.number(v, q.key === "power_factor" ? 1 : 0)) },
        ],
        hooks: {
          drawClear: [(u) => {
            if (!main) return;
            lanes.bands(u, this.laid.phases, live.now(), this.colour, this.selected);
            expected.draw(u, this.laid.phases, this.data, live.now(), this.colour);
          }],
          draw: [(u) => {
            if (main) {
              lanes.windows(u, this.laid.phases, live.now(), this.colour);
              lanes.pinLines(u, this.laid.pins, this.colour);
            } else if (q.key === "voltage_v") lanes.limits(u, [nominal * (1 - tolerance), nominal, nominal * (1 + tolerance)], this.colour);
          }],
          setCursor: [(u) => main && this.say(u)],
          setSelect: [(u) => this.chosen(u)],
        },
      }, data, holder);
    }

    range(key, low, high, nominal) {
      if (low === null || low === undefined) return [0, 1];
      if (key === "power_w") return [Math.min(0, low), Math.max(10, 1.06 * Math.max(high, expected.most(this.laid.phases, this.data, this.view, live.now())))];
      if (key === "voltage_v") { const around = Math.max(high - nominal, nominal - low, nominal * 0.03) * 1.15; return [nominal - around, nominal + around]; }
      return [Math.min(0, low), 1.05];
    }

    times(splits) {
      let day = "";
      const long = (this.view[1] - this.view[0]) > 3 * 86400000;
      return splits.map((t, i) => {
        const date = new Date(t * 1000);
        const today = this.dayhour.format(date);
        const fresh = today !== day && day !== "";
        day = today;
        if (long) return today.replace(/^\S+ /, "");
        const step = splits.length > 1 ? splits[1] - splits[0] : 60;
        return fresh ? `${this.hour.format(date)}\n${today}` : (step < 60 ? this.second : this.hour).format(date);
      });
    }

    pins() {
      const plot = this.plots.power_w;
      if (!plot) return;
      const holder = this.place.querySelector('[data-plot="power_w"]');
      const had = document.activeElement?.dataset?.pin;
      holder.querySelectorAll(".pin").forEach((el) => el.remove());
      let last = -100;
      for (const pin of this.laid.pins) {
        const x = plot.valToPos(pin.at_ms / 1000, "x");
        const left = plot.bbox.left / devicePixelRatio, width = plot.bbox.width / devicePixelRatio;
        if (x < -1 || x > width + 1) continue;
        let at = left + x;
        if (at - last < 30) at = last + 30;
        last = at;
        const el = document.createElement("a");
        el.className = "pin";
        el.href = `#alert-${pin.id}`;
        el.dataset.pin = pin.id;
        el.textContent = pin.letter;
        el.setAttribute("aria-label", `Pin ${pin.letter}: ${pin.title}, ${this.second.format(new Date(pin.at_ms))}`);
        el.title = pin.title;
        el.style.left = `${Math.round(at)}px`;
        el.style.top = "0px";
        holder.append(el);
        if (had === String(pin.id)) el.focus();
      }
    }

    nearest(ms) {
      const at = this.data.at_ms;
      if (!at.length) return -1;
      let low = 0, high = at.length - 1;
      while (low < high) { const mid = (low + high) >> 1; if (at[mid] < ms) low = mid + 1; else high = mid; }
      if (low > 0 && Math.abs(at[low - 1] - ms) <= Math.abs(at[low] - ms)) low--;
      return low;
    }

    say(u) {
      const left = u.cursor.left;
      if (left === null || left < 0 || !this.data) { this.said.textContent = "\u00a0"; return; }
      this.sayAt(u.posToVal(left, "x") * 1000);
    }

    sayAt(ms) {
      const i = this.nearest(ms);
      const words = [this.second.format(new Date(ms))];
      const tooFar = i < 0 || Math.abs(this.data.at_ms[i] - ms) > Math.max(GAP_MS, 2 * this.data.step_ms);
      if (tooFar) words.push("no reading");
      else for (const q of QUANTITIES) {
        const column = this.data[q.key];
        if (!column || column.min[i] === null) continue;
        const low = column.min[i], high = column.max ? column.max[i] : low;
        const text = low === high ? live.number(low, q.digits(low)) : `${live.number(low, q.digits(low))} to ${live.number(high, q.digits(high))}`;
        words.push(q.unit ? `${text}\u202f${q.unit}` : `power factor ${text}`);
      }
      const phase = this.laid.phases.find((p) => ms >= p.start_ms && ms < (p.end_ms ?? live.now()));
      if (phase) {
        const watts = tooFar ? "" : expected.said(phase, this.data, i, live);
        if (watts) words.splice(2, 0, watts);
        const allowed = phase.max_s ? ` (allowed ${live.duration(phase.min_s)} to ${live.duration(phase.max_s)})` : "";
        words.push(`${phase.number} ${phase.name}, ${live.duration((ms - phase.start_ms) / 1000)} in${allowed}`);
      }
      this.said.textContent = words.join(" · ");
    }

    chosen(u) {
      if (u.select.width < 8) return;
      const from = u.posToVal(u.select.left, "x") * 1000, to = u.posToVal(u.select.left + u.select.width, "x") * 1000;
      u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      if (to - from >= SHORTEST_MS / 3) this.show(from, to);
    }

    show(from, to, keepFollow = false) {
      const span = Math.max(SHORTEST_MS, to - from);
      const middle = (from + to) / 2;
      this.view = [middle - span / 2, middle + span / 2];
      if (!keepFollow) this.setFollow(false);
      if (this.data) this.scale();
      clearTimeout(this.later);
      this.later = setTimeout(() => this.load(), 120);
    }

    setFollow(on) {
      this.follow = on && this.live;
      const button = this.figure.querySelector('[data-do="follow"]');
      if (button) button.setAttribute("aria-pressed", String(this.follow));
    }

    act(what, button) {
      const [from, to] = this.view, span = to - from;
      if (what === "earlier") this.show(from - span / 2, to - span / 2);
      else if (what === "later") this.show(from + span / 2, to + span / 2);
      else if (what === "closer") this.show(from + span / 4, to - span / 4);
      else if (what === "wider") this.show(from - span / 2, to + span / 2);
      else if (what === "span") {
        const ms = Number(button.dataset.hours) * 3600000;
        this.whole = [live.now() - ms, live.now()];
        const [a, b] = this.margined();
        this.show(a, b);
        this.setFollow(true);
      } else if (what === "whole") { const [a, b] = this.margined(); this.show(a, b); this.setFollow(this.live); }
      else if (what === "follow") { this.setFollow(!this.follow); if (this.follow) this.step(); }
    }

    key(event) {
      const plot = this.plots.power_w;
      if (!plot || event.target.classList.contains("pin")) return;
      const width = plot.bbox.width / devicePixelRatio;
      const step = (event.shiftKey ? 0.1 : 0.01) * width;
      const at = plot.cursor.left >= 0 ? plot.cursor.left : width / 2;
      const acts = { "+": "closer", "=": "closer", "-": "wider", PageUp: "earlier", PageDown: "later", Home: "whole" };
      if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
        const to = Math.max(0, Math.min(width - 1, at + (event.key === "ArrowLeft" ? -step : step)));
        plot.setCursor({ left: to, top: 20 });
        this.said.setAttribute("aria-live", "polite");
      } else if (acts[event.key]) this.act(acts[event.key]);
      else return;
      event.preventDefault();
    }

    // The right edge: a reading that arrived is drawn at once; the view moves on when it is followed.
    add(reading) {
      if (!this.data || reading.power_w === null || reading.power_w === undefined) return;
      const { at_ms } = this.data, ms = reading.at_ms;
      const last = at_ms.length ? at_ms[at_ms.length - 1] : null;
      if (last !== null && ms <= last) return;
      const gap = last !== null && ms - last > Math.max(GAP_MS, 2 * this.data.step_ms);
      if (gap) at_ms.push(last + 1);
      at_ms.push(ms);
      for (const q of QUANTITIES) {
        const column = this.data[q.key];
        if (!column) continue;
        const value = reading[q.key] ?? null;
        for (const list of [column.min, column.max]) if (list) { if (gap) list.push(null); list.push(value); }
      }
      this.pending = true;
      if (!this.frame) this.frame = setTimeout(() => { this.frame = 0; this.step(); }, 250);
      if (at_ms.length > 3 * this.columns() + 200) this.load();
    }

    step() {
      if (!this.data || live.isPaused()) return;
      if (this.follow) {
        const span = this.view[1] - this.view[0];
        const now = live.now();
        const edge = this.view[1] - span * 0.02;
        if (now > edge) this.view = this.view[0] <= this.whole[0] ? [this.view[0], now + span * 0.08] : [now + span * 0.08 - span, now + span * 0.08];
      }
      this.draw();
    }

    listen() {
      this.figure.querySelector(".tools").addEventListener("click", (event) => {
        const button = event.target.closest("[data-do]");
        if (button) this.act(button.dataset.do, button);
      });
      const follow = this.figure.querySelector('[data-do="follow"]');
      if (follow && this.live) follow.hidden = false;
      document.addEventListener("loadbook:reading", (event) => {
        if (this.live && event.detail.meter === this.figure.dataset.meter) this.add(event.detail);
      });
      document.addEventListener("loadbook:machine", (event) => {
        if (event.detail.machine === this.figure.dataset.machine && !live.isPaused()) this.load();
      });
      document.addEventListener("loadbook:hello", () => { if (this.data) this.load(); });
      document.addEventListener("click", (event) => {
        const row = event.target.closest("tr[data-phase]");
        if (row && !event.target.closest("a, button")) this.select(Number(row.dataset.phase));
      });
      matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
        this.colour = lanes.colours(this.figure);
        for (const key in this.plots) this.plots[key].redraw();
      });
      lanes.fitted(this.place, () => {
        if (!this.data) return;
        for (const key in this.plots) { this.plots[key].destroy(); this.place.querySelector(`[data-plot="${key}"]`)?.remove(); delete this.plots[key]; }
        this.draw();
        this.load();
      });
    }

    select(number) {
      const phase = this.laid.phases.find((p) => p.number === number);
      this.selected = phase && phase !== this.selected ? phase : null;
      for (const row of document.querySelectorAll("tr[data-phase]")) row.classList.toggle("selected", this.selected?.number === Number(row.dataset.phase));
      this.plots.power_w?.redraw();
    }
  }

  for (const figure of document.querySelectorAll("[data-timeline]")) new Timeline(figure);
})();
