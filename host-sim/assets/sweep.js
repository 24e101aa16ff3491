// The report of a sweep: cells by two goals, operating curves, a table that sorts.
"use strict";
(() => {
  const meta = JSON.parse($("data-meta").textContent), { goals, axes, labels, columns: cols } = meta;
  const count = labels.length, cells = [...Array(count).keys()];
  let chosen = meta.start, pointed = null;
  const unit = (g) => (g.unit ? " " + g.unit : "");
  const valueText = (g, i) => `${g.name} ${number(g.values[i], g.digits)}${g.values[i] == null ? "" : unit(g)}`;
  const tellCell = (i) => `Cell ${i + 1}${labels[i] ? ": " + labels[i] : ""}. ${meta.front[i] ? "On the front" : "Beaten"}${meta.called[i] ? ", spoken of above" : ""}. `
    + goals.filter((g) => g.wanted || g === gx() || g === gy()).map((g) => valueText(g, i)).join("; ") + ".";

  // ---- cells by two goals ----
  let x = 0, y = Math.min(1, goals.length - 1);
  const days = goals.findIndex((g) => g.wanted && g.unit === "days");
  if (days > 0) { x = days; y = 0; }
  const gx = () => goals[x], gy = () => goals[y];
  const scatter = new Charts({
    panels: $("panels"),
    step: (way) => {
      const order = placed(), now = order.indexOf(pointed ?? chosen);
      point(order[(now + way + order.length) % order.length]);
    },
  });
  scatter.enter = () => choose(pointed ?? chosen);
  // Cells that none beats in both goals shown, from the best across on.
  let edge = [];
  // Cells that can be drawn, from left to right; kept until other goals are chosen.
  let kept = null;
  const placed = () => (kept?.x === x && kept.y === y ? kept.order : (kept = { x, y, order: place() }).order);
  const place = () => cells.filter((i) => gx().values[i] != null && gy().values[i] != null).sort((a, b) => gx().values[a] - gx().values[b] || a - b);
  function ends(g) {
    const known = g.values.filter((v) => v != null), low = Math.min(...known), high = Math.max(...known), room = 0.06 * (high - low || Math.abs(high) || 1);
    return [low - room, high + room];
  }
  const tip = document.createElement("div");
  tip.className = "tip"; tip.hidden = true; tip.setAttribute("aria-hidden", "true");
  function point(i) {
    pointed = i;
    const plot = scatter.charts[0].plot;
    if (i == null) { tip.hidden = true; $("now").textContent = tellCell(chosen); plot.redraw(false); return; }
    const at = [plot.valToPos(gx().values[i], "x"), plot.valToPos(gy().values[i], "y")];
    const same = placed().filter((j) => j !== i && Math.abs(plot.valToPos(gx().values[j], "x") - at[0]) < 2 && Math.abs(plot.valToPos(gy().values[j], "y") - at[1]) < 2);
    const alike = same.length ? ` At the same place: cell${same.length > 1 ? "s" : ""} ${same.slice(0, 8).map((j) => j + 1).join(", ")}${same.length > 8 ? ` and ${same.length - 8} more` : ""}.` : "";
    tip.textContent = `Cell ${i + 1}${labels[i] ? ": " + labels[i] : ""}`;
    tip.hidden = false;
    plot.over.append(tip);
    tip.style.left = Math.max(0, Math.min(at[0] + 12, plot.over.clientWidth - tip.offsetWidth - 2)) + "px";
    tip.style.top = (at[1] > tip.offsetHeight + 14 ? at[1] - tip.offsetHeight - 12 : at[1] + 14) + "px";
    $("now").textContent = tellCell(i) + alike;
    plot.redraw(false);
  }
  function nearest(u) {
    let best = null, least = 30 * 30;
    for (const i of placed()) {
      const d = (u.valToPos(gx().values[i], "x") - u.cursor.left) ** 2 + (u.valToPos(gy().values[i], "y") - u.cursor.top) ** 2;
      if (d < least) { least = d; best = i; }
    }
    return best;
  }
  function overlay(u) {
    const { ctx, bbox } = u, r = devicePixelRatio || 1;
    const at = (i) => [u.valToPos(gx().values[i], "x", true), u.valToPos(gy().values[i], "y", true)];
    ctx.save();
    ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
    // The best by these two goals: steps along the cells that none beats in both.
    const sign = (g) => (g.more ? 1 : -1), value = (g, i) => sign(g) * g.values[i];
    const order = [...placed()].sort((a, b) => value(gx(), b) - value(gx(), a) || value(gy(), b) - value(gy(), a));
    edge = [];
    let best = -Infinity;
    for (const i of order) { const v = value(gy(), i); if (v > best) { best = v; edge.push(i); } }
    ctx.strokeStyle = css("--c3"); ctx.lineWidth = 1.5 * r; ctx.setLineDash([6 * r, 4 * r]); ctx.beginPath();
    edge.forEach((i, n) => { const [a, b] = at(i); if (n === 0) ctx.moveTo(a, b); else { ctx.lineTo(at(edge[n - 1])[0], b); ctx.lineTo(a, b); } });
    ctx.stroke(); ctx.setLineDash([]);
    ctx.strokeStyle = css("--bad"); ctx.lineWidth = 2 * r; ctx.beginPath();
    for (const i of placed()) {
      if (!meta.called[i]) continue;
      const [a, b] = at(i);
      for (const s of [1, -1]) { ctx.moveTo(a - 7 * r, b - 7 * s * r); ctx.lineTo(a + 7 * r, b + 7 * s * r); }
    }
    ctx.stroke();
    const ring = (i, dash) => {
      if (i == null || gx().values[i] == null || gy().values[i] == null) return;
      const [a, b] = at(i);
      ctx.strokeStyle = css("--ink"); ctx.lineWidth = 2 * r; ctx.setLineDash(dash.map((d) => d * r));
      ctx.beginPath(); ctx.arc(a, b, 11 * r, 0, 2 * Math.PI); ctx.stroke();
    };
    ring(chosen, []); ring(pointed, [3, 3]);
    ctx.restore();
  }
  const better = (g, more, less) => (g.more ? more : less);
  function build() {
    const order = placed(), of = (front) => order.map((i) => (meta.front[i] === front ? gy().values[i] : null));
    const series = (label, front) => ({
      label, stroke: css("--c1"), paths: () => null, points: { show: true, size: front ? 10 : 8, width: 1.5, stroke: css("--c1"), fill: front ? css("--c1") : css("--card") },
    });
    const label = (g, words) => `${g.name}${g.unit ? ", " + g.unit : ""} (${words})`;
    const fixed = (g) => (u, ticks) => ticks.map((v) => (Number.isInteger(v) ? String(v) : String(Number(v.toPrecision(6)))));
    return {
      height: 360, noLegend: true, data: [order.map((i) => gx().values[i]), of(0), of(1)], series: [series("beaten", 0), series("on the front", 1)],
      scales: { y: { range: ends(gy()) } },
      axes: [axis({ size: 30, label: label(gx(), better(gx(), "better to the right", "better to the left")), values: fixed(gx()) }), axis({ size: 62, label: label(gy(), better(gy(), "better up", "better down")), values: fixed(gy()) })],
      draw: overlay, key: keys(),
      hover: (u) => { const i = nearest(u); if (i !== pointed) point(i); },
      press: () => { if (pointed != null) choose(pointed); },
    };
  }
  const shape = (word, paint) => keyEntry(word, (i) => { i.className = "dot"; paint(i.style); });
  const keys = () => [
    shape("on the front", (s) => { s.background = css("--c1"); s.borderColor = css("--c1"); }),
    shape("beaten", (s) => { s.background = css("--card"); s.borderColor = css("--c1"); }),
    ...(meta.called.includes(1) ? [keyEntry("spoken of above", (i) => { i.className = "cross"; i.textContent = "\u2715"; })] : []),
    keyEntry("chosen", (i) => { i.className = "dot ring"; }),
  ];
  if (goals.length) {
    for (const [id, get, set] of [["goal-x", () => x, (v) => { x = v; }], ["goal-y", () => y, (v) => { y = v; }]]) {
      const select = $(id);
      goals.forEach((g, n) => select.add(new Option(g.name + (g.unit ? ", " + g.unit : ""), n)));
      select.value = get();
      select.addEventListener("change", () => { set(Number(select.value)); scatter.reach(...ends(gx())); pointed = null; tip.hidden = true; scatter.redraw(); point(null); });
    }
    scatter.reach(...ends(gx()));
    scatter.add("pareto", "Cells by two goals", () => `${count} cells: ${gy().name} over ${gx().name}. The table below tells the same.`, build);
    scatter.charts[0].figure.querySelector(".plot").addEventListener("mouseleave", () => { if (pointed != null) point(null); });
  } else {
    $("panels").textContent = "No goal differs between the cells."; $("goals").hidden = true;
  }

  // ---- operating curves through the chosen cell ----
  // Cells alike in all but one axis, by the value on it.
  const other = axes.map((a) => {
    const by = new Map();
    for (const i of cells) {
      const key = axes.filter((b) => b !== a).map((b) => b.of[i]).join();
      if (!by.has(key)) by.set(key, []);
      by.get(key)[a.of[i]] = i;
    }
    return (i) => by.get(axes.filter((b) => b !== a).map((b) => b.of[i]).join());
  });
  const MARKS = [
    (c, x, y, s) => c.arc(x, y, s, 0, 2 * Math.PI),
    (c, x, y, s) => c.rect(x - s, y - s, 2 * s, 2 * s),
    (c, x, y, s) => { c.moveTo(x, y - s * 1.2); c.lineTo(x + s * 1.2, y + s); c.lineTo(x - s * 1.2, y + s); c.closePath(); },
  ];
  const RATES = [["deaths and losses not told", "missed", 1], ["survivors called dead or off", "false", 0]];
  const DELAYS = [["told, h", "told_h", 1], ["lets go, h", "free_h", 2], ["plain death told, h", "trial_h", 3]];
  const curves = [];
  function curve(charts, n, which, top, label, digits) {
    const a = axes[n];
    return () => {
      const through = other[n](chosen), at = a.values.map((_, k) => k);
      const of = which.map(([, key]) => at.map((k) => (through[k] == null ? null : meta[key][through[k]])));
      const shown = which.map((w, k) => k).filter((k) => meta[which[k][1]].some((v) => v != null));
      const most = Math.max(0.1, ...shown.flatMap((k) => meta[which[k][1]].filter((v) => v != null).map((v) => v[2])));
      return {
        height: 210, padding: [12, 24, 0, 0],
        data: [at, ...shown.map((k) => of[k].map((v) => (v == null ? null : v[0])))],
        series: shown.map((k) => line(which[k][0], which[k][2], digits, { width: 2 })),
        scales: { y: { range: top ? [-5, top] : [-0.05 * most, most * 1.08] } },
        axes: [
          axis({ size: 26, label: a.key, splits: () => at, values: (u, ticks) => ticks.map((k) => a.values[k] ?? ""), grid: { show: false }, space: 20 }),
          axis({ size: 50, label }),
        ],
        draw: (u) => {
          const { ctx, bbox } = u, r = devicePixelRatio || 1;
          ctx.save(); ctx.setLineDash([]);
          shown.forEach((k, row) => {
            const shift = (row - (shown.length - 1) / 2) * 5 * r;
            at.forEach((v) => {
              const value = of[k][v];
              if (value == null) return;
              const x = u.valToPos(v, "x", true), [mid, low, high] = value.map((y) => u.valToPos(y, "y", true));
              if (x < bbox.left || x > bbox.left + bbox.width) return;
              ctx.strokeStyle = ctx.fillStyle = css(COLOURS[which[k][2]]); ctx.lineWidth = 1.5 * r;
              ctx.beginPath(); ctx.moveTo(x + shift, low); ctx.lineTo(x + shift, high);
              for (const y of [low, high]) { ctx.moveTo(x + shift - 3 * r, y); ctx.lineTo(x + shift + 3 * r, y); }
              ctx.stroke();
              ctx.beginPath(); MARKS[k](ctx, x, mid, 4.5 * r); ctx.fill();
              if (through[v] === chosen) { ctx.strokeStyle = css("--ink"); ctx.lineWidth = 1.5 * r; ctx.beginPath(); ctx.arc(x, mid, 9 * r, 0, 2 * Math.PI); ctx.stroke(); }
            });
          });
          ctx.restore();
        },
      };
    };
  }
  function read(n, v) {
    const a = axes[n], k = Math.max(0, Math.min(a.values.length - 1, Math.round(v))), i = other[n](chosen)[k];
    if (i == null) return `${a.key} ${a.values[k]}: no such cell.`;
    const range = (v, unit, digits, of) => (v == null ? "cannot be said" : `${number(v[0], digits)}${unit} (${number(v[1], digits)} to ${number(v[2], digits)}${of})`);
    return `${a.key} ${a.values[k]}, cell ${i + 1}: deaths and losses not told ${range(meta.missed[i], " %", 0, ", 95 %")}; survivors called dead or off ${range(meta.false[i], " %", 0, ", 95 %")}; `
      + `told after ${range(meta.told_h[i], " h", 2, " in the traces")}; lets go after ${range(meta.free_h[i], " h", 1, " in the traces")}; a plain death told after ${meta.trial_h[i] ? number(meta.trial_h[i][0], 1) + " h" : "more than the ceiling"}.`;
  }
  axes.forEach((a, n) => {
    const pair = document.createElement("div");
    pair.className = "pair"; pair.tabIndex = 0; pair.setAttribute("role", "group");
    pair.setAttribute("aria-label", `Operating curves over ${a.key}. Arrow keys read values.`);
    const told = document.createElement("p");
    told.className = "told"; told.setAttribute("aria-live", "polite");
    $("curves").append(pair, told);
    const charts = new Charts({
      panels: pair, from: -0.35, to: a.values.length - 0.65, printed: 335, sync: "curve-" + n, tell: (v) => { told.textContent = read(n, v); },
      step: (way) => {
        const v = charts.cursor == null ? (way > 0 ? 0 : a.values.length - 1) : Math.max(0, Math.min(a.values.length - 1, Math.round(charts.cursor) + way));
        charts.cursor = v;
        charts.charts.forEach((c) => c.plot.setCursor({ left: c.plot.valToPos(v, "x"), top: 1 }));
        charts.tell(v);
      },
    });
    const describe = (what) => () => `${what} over ${a.key}, through cell ${chosen + 1}. The table below tells the same.`;
    charts.add("rates-" + a.key, "Errors over " + a.key, describe("Error rates in percent"), curve(charts, n, RATES, 105, "%", 1));
    charts.add("delays-" + a.key, "Delays over " + a.key, describe("Delays in hours"), curve(charts, n, DELAYS, 0, "h", 2));
    curves.push(charts);
  });

  // ---- the table ----
  const body = document.querySelector("#cells tbody"), heads = [...document.querySelectorAll("#cells thead th")];
  const STEP = 200;
  let only = document.querySelector("#filter [aria-pressed=true]").dataset.only, sorted = { column: 0, down: false }, rows = STEP;
  const text = (c, i) => (c.text ? c.text[i] : c.sort[i] == null ? "" : c.sort[i].toFixed(c.digits));
  function fill() {
    const c = cols[sorted.column], way = sorted.down ? -1 : 1;
    // What cannot be said stays below.
    const order = cells.filter((i) => only === "" || meta.front[i]).sort((a, b) => {
      const [p, q] = [c.sort[a], c.sort[b]];
      return p == null || q == null ? (p == null) - (q == null) || a - b : way * (p - q) || a - b;
    });
    body.replaceChildren(...order.slice(0, rows).map((i) => {
      const tr = document.createElement("tr");
      if (i === chosen) tr.className = "chosen";
      cols.forEach((c, k) => {
        const td = document.createElement(k ? "td" : "th");
        if (k === 0) {
          td.scope = "row";
          const b = document.createElement("button");
          b.type = "button"; b.textContent = text(c, i); b.setAttribute("aria-label", "Choose cell " + text(c, i)); b.setAttribute("aria-pressed", String(i === chosen));
          b.addEventListener("click", () => choose(i, b));
          td.append(b);
        } else td.textContent = text(c, i);
        if (heads[k].classList.contains("n")) td.className = "n";
        tr.append(td);
      });
      return tr;
    }));
    heads.forEach((h, k) => { if (k === sorted.column) h.setAttribute("aria-sort", sorted.down ? "descending" : "ascending"); else h.removeAttribute("aria-sort"); });
    const left = order.length - Math.min(rows, order.length), more = $("more");
    more.replaceChildren(left ? `${left} more. ` : "");
    if (left) {
      const b = document.createElement("button");
      b.type = "button"; b.textContent = `Show ${Math.min(left, STEP)} more`;
      b.addEventListener("click", () => { rows += STEP; fill(); });
      more.append(b);
    }
  }
  heads.forEach((h, k) => {
    const b = document.createElement("button");
    b.type = "button"; b.textContent = h.textContent || "Mark"; b.title = h.title;
    h.replaceChildren(b);
    b.addEventListener("click", () => { sorted = { column: k, down: sorted.column === k ? !sorted.down : false }; rows = STEP; fill(); });
  });
  document.querySelectorAll("#filter button").forEach((b) => b.addEventListener("click", () => {
    only = b.dataset.only; rows = STEP;
    document.querySelectorAll("#filter button").forEach((o) => o.setAttribute("aria-pressed", String(o === b)));
    fill();
  }));
  function choose(i, button) {
    chosen = i;
    curves.forEach((c) => c.redraw());
    fill();
    if (goals.length) point(gx().values[i] == null || gy().values[i] == null ? null : i);
    else $("now").textContent = tellCell(i);
    if ($("through")) $("through").textContent = `Operating curves through cell ${i + 1}`;
    // The row was made anew: the keyboard stays where it was.
    if (button) body.querySelector(".chosen button")?.focus();
  }
  choose(chosen);
  if (goals.length) point(null);
  window.swaymark = { meta, scatter, curves, choose, point, get chosen() { return chosen; }, get pointed() { return pointed; }, get edge() { return edge; }, get range() { return [scatter.from, scatter.to]; } };
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
})();
