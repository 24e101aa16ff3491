// The report of a cohort: survival and recovery curves.
"use strict";
(() => {
  const meta = JSON.parse($("data-meta").textContent);
  let shown = "";
  const groups = () => (shown ? meta.by.find((g) => g.column === shown).groups : [meta.all]);
  const end = Math.max(1, ...[meta.all.survival, meta.all.unrecovered].map((c) => (c.length ? c[c.length - 1][0] : 0)));
  // The step in force at a time.
  const at = (curve, t) => { let s = [0, 1, 1, 1]; for (const p of curve) { if (p[0] > t) break; s = p; } return s; };
  const charts = new Charts({
    panels: $("panels"), to: end, sync: "cohort",
    tell: (t) => {
      const parts = groups().map((g) => {
        const a = at(g.survival, t), b = at(g.unrecovered, t);
        return `${shown ? g.name + ": " : ""}alive ${number(100 * a[1], 1)} % (${a[1] === 1 ? "no interval before the first death" : number(100 * a[2], 1) + " to " + number(100 * a[3], 1)}), not yet recovered ${number(100 * b[1], 1)} %`;
      });
      $("now").textContent = `${number(t, 1)} h after release. ${parts.join("; ")}.`;
    },
  });
  const curves = (key) => () => {
    const gs = groups(), times = [...new Set([0, end, ...gs.flatMap((g) => g[key].map((p) => p[0]))])].sort((a, b) => a - b);
    const data = [times], series = [], bands = [], paths = uPlot.paths.stepped({ align: 1 });
    gs.forEach((g, i) => {
      const last = g[key].length ? g[key][g[key].length - 1][0] : 0;
      const value = (k) => times.map((t) => (t > last ? null : 100 * at(g[key], t)[k]));
      const base = series.length + 1;
      data.push(value(1), value(3), value(2));
      series.push(line(`${g.name} (${g.n}) %`, i, 1, { paths }), edge("upper", i, 1, { paths }), edge("lower", i, 1, { paths }));
      bands.push({ series: [base + 1, base + 2], fill: bandFill(i) });
    });
    // A tick where a tag came off or a record ended.
    const ticks = (u) => {
      const { ctx, bbox } = u, r = devicePixelRatio || 1;
      gs.forEach((g, i) => {
        ctx.save(); ctx.strokeStyle = css(COLOURS[i % 5]); ctx.lineWidth = 1.5 * r;
        for (const p of g[key]) {
          if (!p[6]) continue;
          const x = u.valToPos(p[0], "x", true), y = u.valToPos(100 * p[1], "y", true);
          if (x < bbox.left - 1 || x > bbox.left + bbox.width + 1) continue;
          ctx.beginPath(); ctx.moveTo(x, y - 5 * r); ctx.lineTo(x, y + 5 * r); ctx.stroke();
        }
        ctx.restore();
      });
    };
    return {
      height: 280, series, bands, data, draw: ticks, scales: { y: { range: [0, 102] } },
      axes: [axis({ size: 28, label: "hours after release" }), axis({ size: 50, label: "%" })],
    };
  };
  const describe = (words) => () => words + (shown ? ", by " + shown : "") + ".";
  charts.add("survival", "Alive", describe("Part of the animals still alive over hours after release"), curves("survival"));
  charts.add("unrecovered", "Not yet recovered", describe("Part of the animals not yet recovered over hours after release"), curves("unrecovered"));
  document.querySelectorAll("#choice button").forEach((b) => b.addEventListener("click", () => {
    shown = b.dataset.by;
    document.querySelectorAll("#choice button").forEach((o) => o.setAttribute("aria-pressed", String(o === b)));
    charts.redraw();
  }));
  window.swaymark = { meta, charts, get plots() { return charts.charts.map((c) => c.plot); }, get range() { return [charts.from, charts.to]; } };
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
})();
