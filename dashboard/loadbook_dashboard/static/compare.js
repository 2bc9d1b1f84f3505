// Two cycles laid over each other: the first in ink, the second in blue dashes. Phase on phase, each phase of the
// second is stretched to the length it had in the first; nothing is warped inside a phase.
"use strict";
(() => {
  const live = window.loadbook, lanes = window.lanes;

  class Compare {
    constructor(figure) {
      this.figure = figure;
      this.place = figure.querySelector("[data-plots]");
      this.said = figure.querySelector("[data-reading]");
      this.a = figure.dataset.a.split(" ").map(Number);
      this.b = figure.dataset.b.split(" ").map(Number);
      this.pairs = JSON.parse(figure.dataset.pairs);
      this.way = this.pairs.length ? "phases" : "clock";
      this.colour = lanes.colours(figure);
      this.phases = [];
      this.traces = null;
      figure.querySelector(".tools").addEventListener("click", (event) => {
        const button = event.target.closest("[data-do]");
        if (button) this.act(button.dataset.do);
      });
      matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
        this.colour = lanes.colours(figure);
        this.plot?.redraw();
      });
      lanes.fitted(this.place, () => {
        if (!this.traces) return;
        this.plot?.destroy();
        this.plot = null;
        this.draw();
      });
      this.load();
    }

    async load() {
      const d = this.figure.dataset;
      const trace = ([from, to]) => fetch(`${d.trace}?from_ms=${from - 30000}&to_ms=${to + 30000}&columns=1800`).then((r) => r.json());
      try {
        const [laid, a, b] = await Promise.all([
          fetch(`${d.timeline}?cycle=${d.cycle}`).then((r) => r.json()), trace(this.a), trace(this.b)]);
        this.phases = laid.phases;
        this.traces = [a, b];
        this.draw();
      } catch {
        this.said.textContent = "The traces could not be read.";
      }
      this.figure.dataset.ready = "yes";
    }

    // the second cycle's instants on the first one's time
    onto(ms) {
      if (this.way === "clock") return ms - this.b[0] + this.a[0];
      let before = null;
      for (const [a0, a1, b0, b1] of this.pairs) {
        if (ms < b0) {
          if (!before) return a0 - (b0 - ms);
          const [pa, pb] = before; // between two matched phases
          return b0 > pb ? pa + ((ms - pb) / (b0 - pb)) * (a0 - pa) : a0;
        }
        if (ms < b1) return b1 > b0 ? a0 + ((ms - b0) / (b1 - b0)) * (a1 - a0) : a0;
        before = [a1, b1];
      }
      return before[0] + (ms - before[1]);
    }

    points(trace, onto) {
      const x = [], y = [];
      const q = trace.power_w;
      if (!q) return [x, y];
      trace.at_ms.forEach((ms, i) => {
        const low = q.min[i], high = q.max ? q.max[i] : low;
        const t = (onto(ms) - this.a[0]) / 60000;
        x.push(t);
        y.push(low);
        if (high !== null && high !== low) { x.push((onto(ms + trace.step_ms / 2) - this.a[0]) / 60000); y.push(high); }
      });
      return [x, y];
    }

    draw() {
      const [ax, ay] = this.points(this.traces[0], (ms) => ms);
      const [bx, by] = this.points(this.traces[1], (ms) => this.onto(ms));
      const data = uPlot.join([[ax, ay], [bx, by]], [[2], [2]]);
      const gap = (list) => list.map((v) => (v === undefined ? undefined : v));
      if (!this.plot) this.make(data.map(gap));
      else this.plot.setData(data.map(gap), false);
      const most = Math.max((this.a[1] - this.a[0]) / 60000, bx[bx.length - 1] ?? 0);
      this.whole = [-most * 0.01, most * 1.01];
      this.view = this.view || this.whole;
      this.scale();
    }

    scale() { this.plot.setScale("x", { min: this.view[0], max: this.view[1] }); }

    make(data) {
      const narrow = this.place.clientWidth < 560;
      const font = `${narrow ? 11 : 13}px system-ui, "Liberation Sans", Arial, sans-serif`;
      const axis = { stroke: () => this.colour.soft, font, grid: { stroke: () => this.colour.rule, width: 1 }, ticks: { stroke: () => this.colour.rule, width: 1 } };
      const moved = () => this.phases.map((p) => ({ ...p, start_ms: (p.start_ms - this.a[0]) / 60, end_ms: (p.end_ms - this.a[0]) / 60 }));
      this.plot = new uPlot({
        width: Math.max(280, this.place.clientWidth), height: narrow ? 300 : 400, padding: [30, 14, 0, 0],
        legend: { show: false },
        cursor: { drag: { x: true, y: false, setScale: false }, points: { show: false }, y: false },
        scales: { x: { time: false }, y: { range: (u, low, high) => [Math.min(0, low ?? 0), Math.max(10, (high ?? 10) * 1.06)] } },
        series: [{},
          { stroke: () => this.colour.ink, width: 1.5, points: { show: false }, spanGaps: true },
          { stroke: () => this.colour.voltage, width: 1.5, dash: [6, 3], points: { show: false }, spanGaps: true }],
        axes: [
          { ...axis, size: 46, label: "minutes into the first cycle", labelFont: font, labelSize: 20, space: narrow ? 45 : 60 },
          { ...axis, size: narrow ? 44 : 58, values: (u, splits) => splits.map((v) => live.number(v, 0)) }],
        hooks: {
          drawClear: [(u) => lanes.bands(u, moved(), 0, this.colour, null)],
          setCursor: [(u) => this.say(u)],
          setSelect: [(u) => {
            if (u.select.width < 8) return;
            const [from, to] = [u.select.left, u.select.left + u.select.width].map((v) => u.posToVal(v, "x"));
            u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
            this.show(from, to);
          }],
        },
      }, data, this.place);
    }

    valueAt(index, minutes) {
      const [x, y] = [this.plot.data[0], this.plot.data[index]];
      let best = null, far = Infinity;
      for (let i = 0; i < x.length; i++) {
        if (y[i] === undefined || y[i] === null) continue;
        const d = Math.abs(x[i] - minutes);
        if (d < far) { far = d; best = y[i]; }
      }
      return far < 0.5 ? best : null;
    }

    say(u) {
      if (u.cursor.left === null || u.cursor.left < 0) { this.said.textContent = "\u00a0"; return; }
      const minutes = u.posToVal(u.cursor.left, "x");
      const ms = this.a[0] + minutes * 60000;
      const phase = this.phases.find((p) => ms >= p.start_ms && ms < p.end_ms);
      this.said.textContent = [live.duration(Math.max(0, minutes) * 60) + " in",
        `first ${live.watts(this.valueAt(1, minutes))}`, `second ${live.watts(this.valueAt(2, minutes))}`,
        phase ? `${phase.number} ${phase.name}` : ""].filter(Boolean).join(" · ");
    }

    show(from, to) {
      const span = Math.max(0.5, to - from), middle = (from + to) / 2;
      this.view = [middle - span / 2, middle + span / 2];
      this.scale();
    }

    act(what) {
      if (!this.traces) return;
      const [from, to] = this.view, span = to - from;
      if (what === "phases" || what === "clock") {
        this.way = what === "phases" && !this.pairs.length ? "clock" : what;
        for (const b of this.figure.querySelectorAll('[data-do="phases"], [data-do="clock"]')) b.setAttribute("aria-pressed", String(b.dataset.do === this.way));
        this.view = null;
        this.draw();
      } else if (what === "closer") this.show(from + span / 4, to - span / 4);
      else if (what === "wider") this.show(from - span / 2, to + span / 2);
      else if (what === "earlier") this.show(from - span / 2, to - span / 2);
      else if (what === "later") this.show(from + span / 2, to + span / 2);
      else if (what === "whole") { this.view = this.whole; this.scale(); }
    }
  }

  for (const figure of document.querySelectorAll("[data-compare]")) new Compare(figure);
})();
