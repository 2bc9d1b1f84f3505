// What is laid along a trace on the chart's canvas: phases in words and quiet colours above and behind it, the windows
// in which they may end below it, and the lines of the pins. Drawing only; timeline.js decides what and when.
"use strict";
window.lanes = (() => {
  const HEAD = 52; // CSS px above the plot: pins, then the names of the phases
  const FOOT = 40; // CSS px below the axis: two rows of windows

  function colours(el) {
    const style = getComputedStyle(el);
    const get = (name) => style.getPropertyValue(`--${name}`).trim();
    const stages = {};
    for (const s of ["fill", "wash", "rinse", "drain", "heat", "dry", "hold", "spin", "cool", "wait"]) stages[s] = get(s);
    return { ink: get("ink"), soft: get("soft"), rule: get("rule"), line: get("line"), sheet: get("sheet"),
      high: get("high"), medium: get("medium"), window: get("window"), voltage: get("voltage"), factor: get("factor"), stages };
  }

  function clip(u, x0, x1) {
    const { left, width } = u.bbox;
    return [Math.max(left, Math.min(left + width, x0)), Math.max(left, Math.min(left + width, x1))];
  }

  const NAMES = 26; // of that, the names

  // Tints behind the trace and, above it, number and name as far as they fit.
  function bands(u, phases, now, colour, selected) {
    const c = u.ctx, dpr = devicePixelRatio || 1;
    const { left, top, width, height } = u.bbox;
    c.save();
    c.font = `${(u.width < 560 ? 12 : 14) * dpr}px system-ui, "Liberation Sans", Arial, sans-serif`;
    c.textBaseline = "middle";
    c.textAlign = "left";
    for (const p of phases) {
      const raw0 = u.valToPos(p.start_ms / 1000, "x", true);
      const raw1 = u.valToPos((p.end_ms ?? now) / 1000, "x", true);
      const [x0, x1] = clip(u, raw0, raw1);
      if (x1 <= x0) continue;
      c.fillStyle = colour.stages[p.stage] || colour.stages.wait;
      c.globalAlpha = 0.55;
      c.fillRect(x0, top, x1 - x0, height);
      c.globalAlpha = 1;
      c.fillRect(x0, top - NAMES * dpr, x1 - x0, NAMES * dpr);
      if (raw0 >= left) {
        c.fillStyle = colour.line;
        c.fillRect(x0, top - NAMES * dpr, dpr, height + NAMES * dpr);
      }
      if (p === selected) {
        c.strokeStyle = colour.ink;
        c.lineWidth = 2 * dpr;
        c.strokeRect(x0 + dpr, top - (NAMES - 1) * dpr, x1 - x0 - 2 * dpr, height + (NAMES - 2) * dpr);
      }
      const room = x1 - x0 - 8 * dpr;
      c.fillStyle = colour.ink;
      for (const text of [`${p.number} ${p.name}`, `${p.number}`]) {
        if (c.measureText(text).width <= room) {
          c.fillText(text, x0 + 5 * dpr, top - (NAMES / 2 - 0.5) * dpr);
          break;
        }
      }
    }
    c.restore();
  }

  // The window in which each phase may end, and where it did: two rows, so that neighbours do not run together.
  function windows(u, phases, now, colour, named) {
    const c = u.ctx, dpr = devicePixelRatio || 1;
    const { left, top, width, height } = u.bbox;
    const base = top + height + 34 * dpr;
    if (u.scales.x.max - u.scales.x.min > 3 * 3600) return; // too narrow to read
    c.save();
    c.font = `${11 * dpr}px system-ui, "Liberation Sans", Arial, sans-serif`;
    c.textBaseline = "middle";
    c.textAlign = "left";
    phases.forEach((p, i) => {
      if (p.max_s === null || p.max_s === undefined) return;
      const y = base + (i % 2) * 17 * dpr;
      const raw0 = u.valToPos(p.start_ms / 1000 + p.min_s, "x", true);
      const raw1 = u.valToPos(p.start_ms / 1000 + p.max_s, "x", true);
      const [x0, x1] = clip(u, raw0, raw1);
      const ended = p.end_ms !== null && p.end_ms !== undefined;
      const rawEnd = u.valToPos((ended ? p.end_ms : now) / 1000, "x", true);
      const late = p.verdict === "too_long" || (!ended && rawEnd > raw1);
      const wrong = late || p.verdict === "too_short";
      if (x1 > x0) {
        c.fillStyle = colour.stages[p.stage] || colour.stages.wait;
        c.fillRect(x0, y, x1 - x0, 11 * dpr);
        c.strokeStyle = colour.window;
        c.lineWidth = dpr;
        c.strokeRect(x0 + dpr / 2, y + dpr / 2, x1 - x0 - dpr, 10 * dpr);
        if (x1 - x0 > 22 * dpr) {
          c.fillStyle = colour.ink;
          c.fillText(String(p.number), x0 + 4 * dpr, y + 6 * dpr);
        }
      }
      if (rawEnd >= left && rawEnd <= left + width) {
        c.fillStyle = wrong ? colour.high : colour.ink;
        if (ended) c.fillRect(rawEnd - 1.5 * dpr, y - 2 * dpr, 3 * dpr, 15 * dpr);
        else {
          c.beginPath();
          c.moveTo(rawEnd - 5 * dpr, y - 3 * dpr);
          c.lineTo(rawEnd + 4 * dpr, y + 5.5 * dpr);
          c.lineTo(rawEnd - 5 * dpr, y + 14 * dpr);
          c.fill();
        }
        if (wrong) c.fillText("!", rawEnd + 5 * dpr, y + 6 * dpr);
      }
    });
    c.restore();
  }

  function pinLines(u, pins, colour) {
    const c = u.ctx, dpr = devicePixelRatio || 1;
    const { left, top, width, height } = u.bbox;
    c.save();
    c.setLineDash([5 * dpr, 4 * dpr]);
    c.lineWidth = 1.5 * dpr;
    for (const pin of pins) {
      const x = u.valToPos(pin.at_ms / 1000, "x", true);
      if (x < left || x > left + width) continue;
      c.strokeStyle = colour.ink;
      c.beginPath();
      c.moveTo(x, top - NAMES * dpr);
      c.lineTo(x, top + height);
      c.stroke();
    }
    c.restore();
  }

  function limits(u, values, colour) {
    const c = u.ctx, dpr = devicePixelRatio || 1;
    const { left, top, width, height } = u.bbox;
    c.save();
    c.setLineDash([2 * dpr, 4 * dpr]);
    c.strokeStyle = colour.line;
    c.lineWidth = dpr;
    for (const value of values) {
      const y = u.valToPos(value, "y", true);
      if (y < top || y > top + height) continue;
      c.beginPath();
      c.moveTo(left, y);
      c.lineTo(left + width, y);
      c.stroke();
    }
    c.restore();
  }

  // Draws anew when the place's width changes, and before and after it goes to paper, which is narrower than most screens.
  function fitted(place, draw) {
    let width = place.clientWidth;
    const fit = () => {
      if (place.clientWidth === width) return;
      width = place.clientWidth;
      draw();
    };
    new ResizeObserver(fit).observe(place);
    addEventListener("beforeprint", () => { place.classList.add("paperwide"); fit(); });
    addEventListener("afterprint", () => { place.classList.remove("paperwide"); fit(); });
  }

  return { HEAD, FOOT, colours, bands, windows, pinLines, limits, fitted };
})();
