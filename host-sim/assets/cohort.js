// The report of a cohort: survival and recovery curves.
"use strict";
(() => {
  const meta = JSON.parse($("data-meta").textContent);
  const COLOURS = ["--c1", "--c2", "--c3", "--c4", "--c5"], DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 2]];
  const panels = $("panels");
  let shown = "", plots = [], cursor = null;
  const groups = () => (shown ? meta.by.find((g) => g.column === shown).groups : [meta.all]);
  const plotsOf = [
    ["survival", "Alive", "Part of the animals still alive over hours after release"],
    ["unrecovered", "Not yet recovered", "Part of the animals not yet recovered over hours after release"],
  ];
  const end = Math.max(1, ...[meta.all.survival, meta.all.unrecovered].map((c) => (c.length ? c[c.length - 1][0] : 0)));
  let from = 0, to = end;
  // The step in force at a time.
  const at = (curve, t) => { let s = [0, 1, 1, 1]; for (const p of curve) { if (p[0] > t) break; s = p; } return s; };
  function build() {
    plots.forEach((p) => p.destroy());
    panels.replaceChildren();
    plots = plotsOf.map(([key, title, describe]) => {
      const figure = document.createElement("div");
      figure.className = "chart"; figure.id = "chart-" + key;
      figure.innerHTML = '<div class="chart-head"><h3></h3><div class="legend"></div></div><div class="plot" role="img"></div>';
      figure.querySelector("h3").textContent = title;
      figure.querySelector(".plot").setAttribute("aria-label", describe + (shown ? ", by " + shown : "") + ".");
      panels.append(figure);
      const gs = groups(), times = [...new Set([0, end, ...gs.flatMap((g) => g[key].map((p) => p[0]))])].sort((a, b) => a - b);
      const data = [times], series = [{ label: "h" }], bands = [];
      gs.forEach((g, i) => {
        const last = g[key].length ? g[key][g[key].length - 1][0] : 0;
        const value = (k) => times.map((t) => (t > last ? null : 100 * at(g[key], t)[k]));
        const colour = COLOURS[i % 5], base = series.length, stepped = uPlot.paths.stepped({ align: 1 });
        data.push(value(1), value(3), value(2));
        series.push({ label: `${g.name} (${g.n}) %`, stroke: css(colour), width: 2.5, dash: DASHES[i % 5], paths: stepped, points: { show: false }, value: (u, v) => number(v, 1) });
        for (const word of ["upper", "lower"]) series.push({ label: word, stroke: css(colour) + "55", width: 1, paths: stepped, points: { show: false }, value: (u, v) => number(v, 1) });
        bands.push({ series: [base + 1, base + 2], fill: css(colour) + "1e" });
      });
      const axis = { stroke: css("--soft"), grid: { stroke: css("--grid"), width: 1 }, ticks: { stroke: css("--grid"), size: 4 }, font: "12px system-ui, 'DejaVu Sans', sans-serif", labelFont: "12px system-ui, 'DejaVu Sans', sans-serif" };
      const legend = figure.querySelector(".legend");
      const plot = new uPlot({
        width: width(), height: 280, padding: [8, 24, 0, 0],
        scales: { x: { time: false, range: () => [from, to] }, y: { range: [0, 102] } },
        axes: [{ ...axis, size: 44, label: "hours after release", labelSize: 16 }, { ...axis, size: 50, label: "%", labelSize: 16 }],
        series, bands,
        legend: { live: true, markers: { width: 2, dash: (u, i) => (u.series[i].dash && u.series[i].dash.length ? "dashed" : "solid") }, mount: (u, t) => legend.replaceChildren(t) },
        cursor: { y: false, sync: { key: "cohort", setSeries: false }, drag: { x: true, y: false, setScale: false, dist: 4 }, points: { size: 7 },
          bind: { dblclick: () => () => { zoom(0, end); return null; } } },
        hooks: {
          setSelect: [(u) => {
            if (u.select.width < 4) return;
            const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
            u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
            zoom(a, b);
          }],
          setCursor: [(u) => { if (u.cursor.left >= 0 && u.cursor.event) { cursor = u.posToVal(u.cursor.left, "x"); tell(); } }],
          draw: [(u) => {
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
          }],
        },
      }, data, figure.querySelector(".plot"));
      return plot;
    });
  }
  function zoom(a, b) {
    from = Math.max(0, a); to = Math.min(end, b);
    plots.forEach((p) => p.setScale("x", { min: from, max: to }));
  }
  function tell() {
    const parts = groups().map((g) => {
      const a = at(g.survival, cursor), b = at(g.unrecovered, cursor);
      return `${shown ? g.name + ": " : ""}alive ${number(100 * a[1], 1)} % (${number(100 * a[2], 1)} to ${number(100 * a[3], 1)}), not yet recovered ${number(100 * b[1], 1)} %`;
    });
    $("now").textContent = `${number(cursor, 1)} h after release. ${parts.join("; ")}.`;
  }
  const width = () => (theme.printing ? 690 : Math.max(280, panels.clientWidth));
  panels.addEventListener("keydown", (e) => {
    const step = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (step) {
      e.preventDefault();
      cursor = Math.min(to, Math.max(from, (cursor ?? from) + (step * (to - from)) / 100));
      plots.forEach((p) => p.setCursor({ left: p.valToPos(cursor, "x"), top: 1 }));
      tell();
    } else if (e.key === "0") zoom(0, end);
  });
  document.querySelectorAll("#choice button").forEach((b) => b.addEventListener("click", () => {
    shown = b.dataset.by;
    document.querySelectorAll("#choice button").forEach((o) => o.setAttribute("aria-pressed", String(o === b)));
    build();
  }));
  let wide = 0;
  new ResizeObserver(() => { if (panels.clientWidth !== wide && !theme.printing) { wide = panels.clientWidth; plots.forEach((p) => p.setSize({ width: width(), height: 280 })); } }).observe(panels);
  theme.heard.push(build);
  build();
  window.swaymark = { meta, zoom, get plots() { return plots; }, get range() { return [from, to]; } };
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
})();
