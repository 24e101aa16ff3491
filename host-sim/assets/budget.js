// The report of a budget: charge, voltage and tags that still run, over days.
"use strict";
(() => {
  const meta = JSON.parse($("data-meta").textContent), { days, stretches } = meta;
  const percent = (all) => all.map((v) => (v == null ? null : 100 * v));
  const limits = [...days, ...(meta.wanted_day == null ? [] : [meta.wanted_day])];
  const from = Math.min(stretches[0]?.from ?? 0, days[0]), to = Math.max(...limits) * 1.01;
  const phaseAt = (t) => stretches.find((s) => t >= s.from && t <= s.to);
  const nearest = (t) => days.reduce((best, d, i) => (Math.abs(d - t) < Math.abs(days[best] - t) ? i : best), 0);
  const charts = new Charts({ panels: $("panels"), from, to, sync: "budget", tell: (t) => { $("now").textContent = read(t); } });
  function read(t) {
    const i = nearest(t), phase = phaseAt(days[i]), l = meta.left_spread, v = meta.lowest_spread;
    const range = (s, k, digits) => (s.low[i] == null ? "" : ` (${number(k * s.low[i], digits)} to ${number(k * s.high[i], digits)})`);
    const here = meta.left[i] == null
      ? "figures as written, the tag does not run any more; "
      : `${number(100 * meta.left[i], 0)} % left${range(l, 100, 0)}, ${number(meta.steady_v[i], 2)} V under the steady load, at the lowest ${number(meta.lowest_v[i], 2)} V under a pulse${range(v, 1, 2)}; `;
    return `Day ${number(days[i], 2)}${phase ? " (" + phase.phase + ")" : ""}: ${here}${number(100 * meta.running[i], 0)} % of the draws still run.`;
  }
  const at = (u, x, y) => [u.valToPos(x, "x", true), y == null ? null : u.valToPos(y, "y", true)];
  const inside = (u, x) => x >= u.bbox.left - 1 && x <= u.bbox.left + u.bbox.width + 1;
  // Time on the animal on a ground of its own, and a line where a phase ends.
  function ground(u) {
    const { ctx, bbox } = u, r = devicePixelRatio || 1;
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    stretches.forEach((s) => {
      const a = at(u, s.from)[0], b = at(u, s.to)[0];
      ctx.fillStyle = css("--night");
      if (s.kind === "on the animal") ctx.fillRect(a, bbox.top, b - a, bbox.height);
      ctx.strokeStyle = css("--soft"); ctx.lineWidth = r; ctx.setLineDash([1.5 * r, 3 * r]);
      ctx.beginPath(); ctx.moveTo(b, bbox.top); ctx.lineTo(b, bbox.top + bbox.height); ctx.stroke();
    });
    ctx.restore();
  }
  // Above the plot, where a phase is long enough for its name.
  function names(u) {
    const { ctx, bbox } = u, r = devicePixelRatio || 1;
    ctx.save();
    ctx.font = `${11.5 * r}px system-ui, 'DejaVu Sans', sans-serif`; ctx.fillStyle = css("--ink"); ctx.textAlign = "left";
    for (const s of stretches) {
      const a = Math.max(bbox.left, at(u, s.from)[0]), b = Math.min(bbox.left + bbox.width, at(u, s.to)[0]);
      if (ctx.measureText(s.phase).width <= b - a) ctx.fillText(s.phase, a + 1 * r, bbox.top - 5 * r);
    }
    ctx.restore();
  }
  function wanted(u) {
    if (meta.wanted_day == null) return;
    const [x] = at(u, meta.wanted_day), r = devicePixelRatio || 1;
    if (!inside(u, x)) return;
    u.ctx.save(); u.ctx.strokeStyle = css("--mark"); u.ctx.lineWidth = 1.5 * r; u.ctx.setLineDash([6 * r, 3 * r]);
    u.ctx.beginPath(); u.ctx.moveTo(x, u.bbox.top); u.ctx.lineTo(x, u.bbox.top + u.bbox.height); u.ctx.stroke(); u.ctx.restore();
    plotText(u, "search wanted until here", x - 4 * r, u.bbox.top + u.bbox.height - 12 * r, "right");
  }
  function level(u, volts, word, colour, dash) {
    const r = devicePixelRatio || 1, [, y] = at(u, days[0], volts);
    u.ctx.save(); u.ctx.strokeStyle = css(colour); u.ctx.lineWidth = 1.5 * r; u.ctx.setLineDash(dash.map((d) => d * r));
    u.ctx.beginPath(); u.ctx.moveTo(u.bbox.left, y); u.ctx.lineTo(u.bbox.left + u.bbox.width, y); u.ctx.stroke(); u.ctx.restore();
    plotText(u, word, u.bbox.left + 6 * r, y + 9 * r);
  }
  function points(u) {
    const r = devicePixelRatio || 1, { ctx } = u;
    level(u, meta.brownout_v, `the tag resets below ${number(meta.brownout_v, 2)} V`, "--bad", [8, 4, 2, 4]);
    if (meta.cutoff_v !== meta.brownout_v) level(u, meta.cutoff_v, `counts as empty below ${number(meta.cutoff_v, 2)} V, steady load`, "--soft", [2, 4]);
    const last = meta.failures[meta.failures.length - 1];
    if (last) {
      const [a, y] = at(u, meta.end_days[0], meta.brownout_v), [b] = at(u, meta.end_days[2]);
      ctx.save();
      ctx.beginPath(); ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height); ctx.clip();
      ctx.strokeStyle = css("--bad"); ctx.lineWidth = 3 * r; ctx.beginPath(); ctx.moveTo(a, y); ctx.lineTo(b, y);
      for (const x of [a, b]) { ctx.moveTo(x, y - 5 * r); ctx.lineTo(x, y + 5 * r); }
      ctx.stroke(); ctx.restore();
    }
    for (const f of meta.failures) {
      const [x, y] = at(u, f.day, f.volts);
      if (!inside(u, x)) continue;
      ctx.save(); ctx.strokeStyle = css("--bad"); ctx.lineWidth = 3 * r; ctx.beginPath();
      for (const s of [1, -1]) { ctx.moveTo(x - 7 * r, y - 7 * s * r); ctx.lineTo(x + 7 * r, y + 7 * s * r); }
      ctx.stroke(); ctx.restore();
      plotText(u, `${f.pulse ?? "steady load"}, day ${number(f.day, 1)}, ${number(f.volts, 2)} V`, x - 10 * r, y - 16 * r, "right");
    }
    if (meta.firing) {
      const [x, y] = at(u, meta.firing.day, meta.firing.volts);
      if (inside(u, x)) {
        ctx.save(); ctx.strokeStyle = css("--ink"); ctx.fillStyle = css("--c5"); ctx.lineWidth = 1.5 * r; ctx.beginPath();
        ctx.moveTo(x, y - 6 * r); ctx.lineTo(x + 6 * r, y); ctx.lineTo(x, y + 6 * r); ctx.lineTo(x - 6 * r, y); ctx.closePath(); ctx.fill(); ctx.stroke(); ctx.restore();
        plotText(u, `${meta.firing.fired ? "release fires" : "release cannot fire"}, ${number(meta.firing.volts, 2)} V`, x + 10 * r, y + 12 * r);
      }
    }
  }
  const spreadOf = (s, n, digits, k) => ({
    data: [s.high, s.low].map((v) => v.map((x) => (x == null ? null : k * x))),
    series: [edge("95th", n, digits), edge("5th", n, digits)],
  });
  const xAxis = (last) => axis(last ? { size: 28, label: "days after release" } : { size: 26 });
  charts.add("left", "Charge left at the temperature of the phase", "Charge left in percent over days, by phase, with the range of the draws.", () => {
    const s = spreadOf(meta.left_spread, 0, 1, 100);
    return {
      height: 220, data: [days, percent(meta.left), ...s.data], series: [line("left, %", 0, 1), ...s.series],
      bands: [{ series: [2, 3], fill: bandFill(0) }], scales: { y: { range: [0, 102] } }, axes: [xAxis(false), axis({ size: 54, label: "%" })],
      padding: [18, 24, 0, 0], under: ground, draw: (u) => { names(u); wanted(u); },
    };
  });
  charts.add("volts", "Voltage of the battery under load", "Voltage under the steady load and the lowest under a pulse, over days, with the range of the draws, the limits, and where the battery gives way.", () => {
    const s = spreadOf(meta.lowest_spread, 1, 2, 1);
    const known = [...meta.steady_v, ...meta.lowest_v, ...meta.lowest_spread.low, ...meta.lowest_spread.high, meta.brownout_v, meta.cutoff_v].filter((v) => v != null);
    const low = Math.min(...known), high = Math.max(...known), room = 0.12 * (high - low || 1);
    return {
      height: 300, data: [days, meta.steady_v, meta.lowest_v, ...s.data],
      series: [line("steady load, V", 2, 2, { dash: DASHES[1] }), line("lowest under a pulse, V", 1, 2, { dash: [] }), ...s.series],
      bands: [{ series: [3, 4], fill: bandFill(1) }], scales: { y: { range: [low - room, high + room / 2] } },
      axes: [xAxis(false), axis({ size: 54, label: "V" })], under: ground, draw: points,
    };
  }, { note: "Lowest: under the pulse of the phase that sags most, were it to come at that time." });
  charts.add("running", "Tags that still run", "Part of the draws whose tag still runs, in percent, over days.", () => ({
    height: 154, data: [days, percent(meta.running)], series: [line("still running, % of draws", 3, 1, { dash: [] })],
    scales: { y: { range: [0, 102] } }, axes: [xAxis(true), axis({ size: 54, label: "%" })], under: ground, draw: wanted,
  }));
  window.swaymark = { meta, charts, get plots() { return charts.charts.map((c) => c.plot); }, get range() { return [charts.from, charts.to]; } };
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
})();
