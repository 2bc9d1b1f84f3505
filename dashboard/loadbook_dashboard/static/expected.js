// What the phases should draw, laid under the trace: a band of watts between dashed edges that follows the supply. The
// server gives each phase its levels (what may be on) as [a, b, c, d, e, f]: a + bV² to c + dV², e to f where V is
// unknown; here they meet the voltage of the moment.
"use strict";
window.expected = (() => {
  const LEAST_V = 40; // below this there is no supply to correct for

  // The levels at a voltage, ascending, overlapping ones made one.
  function bands(levels, volts) {
    const all = levels.map(([a, b, c, d, e, f]) => (volts === null ? [e, f] : [a + b * volts * volts, c + d * volts * volts]));
    all.sort((x, y) => x[0] - y[0]);
    const found = [];
    for (const [low, high] of all) {
      const last = found[found.length - 1];
      if (last && low <= last[1]) last[1] = Math.max(last[1], high);
      else found.push([low, high]);
    }
    return found;
  }

  function voltsAt(data, i) {
    const column = data?.voltage_v;
    if (!column || column.min[i] === null || column.min[i] === undefined) return null;
    const volts = column.max ? (column.min[i] + column.max[i]) / 2 : column.min[i];
    return volts >= LEAST_V ? volts : null;
  }

  // [from, to, bands] along a phase, ms: a new piece where the supply has moved by half a volt. The phase that runs is
  // drawn on to the end of its window, at the last voltage.
  function pieces(phase, data, now) {
    if (!phase.levels?.length) return [];
    const end = phase.end_ms ?? Math.max(now, phase.start_ms + (phase.max_s || 0) * 1000);
    const at = data.at_ms, found = [];
    let from = phase.start_ms, volts = null;
    for (let i = 0; i < at.length && at[i] < end; i++) {
      const here = voltsAt(data, i);
      if (here === null || (volts !== null && Math.abs(here - volts) < 0.5)) continue;
      if (at[i] > from && volts !== null) {
        found.push([from, at[i], bands(phase.levels, volts)]);
        from = at[i];
      }
      volts = here;
    }
    if (end > from) found.push([from, end, bands(phase.levels, volts)]);
    return found;
  }

  function draw(u, phases, data, now, colour) {
    if (!data) return;
    const c = u.ctx, dpr = devicePixelRatio || 1;
    const { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    const fill = new Path2D(), edges = new Path2D();
    for (const phase of phases) {
      let before = null;
      for (const [from, to, levels] of pieces(phase, data, now)) {
        const x0 = u.valToPos(from / 1000, "x", true), x1 = u.valToPos(to / 1000, "x", true);
        if (x1 < left || x0 > left + width) { before = null; continue; }
        const ys = levels.map((band) => band.map((w) => u.valToPos(w, "y", true)));
        ys.forEach(([low, high], i) => {
          fill.rect(x0, high, x1 - x0, low - high);
          [low, high].forEach((y, k) => { // one line along the phase, so that its dashes run on
            if (before && before.length === ys.length) edges.moveTo(x0, before[i][k]);
            else edges.moveTo(x0, y);
            edges.lineTo(x0, y);
            edges.lineTo(x1, y);
          });
        });
        before = ys;
      }
    }
    c.fillStyle = colour.ink;
    c.globalAlpha = 0.13;
    c.fill(fill);
    c.globalAlpha = 1;
    c.setLineDash([5 * dpr, 3 * dpr]);
    c.strokeStyle = colour.soft;
    c.lineWidth = dpr;
    c.stroke(edges);
    c.restore();
  }

  // The highest watts any phase in view may draw: a band must not hide above the trace's own top.
  function most(phases, data, view, now) {
    let top = 0;
    if (!data) return top;
    for (const phase of phases) {
      if (phase.start_ms > view[1] || (phase.end_ms ?? now) < view[0]) continue;
      for (const [, , levels] of pieces(phase, data, now)) for (const [, high] of levels) top = Math.max(top, high);
    }
    return top;
  }

  function said(phase, data, i, live) {
    if (!phase.levels?.length) return "";
    const figure = (w) => live.number(w, w < 9.95 ? 1 : 0);
    const words = bands(phase.levels, voltsAt(data, i)).map(([low, high]) => (low < 0.05 ? `up to ${figure(high)}` : `${figure(low)} – ${figure(high)}`));
    return `expected ${words.join(" or ")}\u202fW`;
  }

  return { bands, draw, most, said };
})();
