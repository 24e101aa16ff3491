// The report of one deployment: its plots.
"use strict";
(async () => {
  const meta = JSON.parse($("data-meta").textContent);
  if (!("DecompressionStream" in window)) {
    $("now").textContent = "This browser is too old to unpack the plots (one of 2023 or newer can). What was decided is told above and below.";
    return;
  }
  const m = await columns("data-minutes", meta.minute_columns);
  const STATES = [
    ["not known", "cross"], ["swimming", "plain"], ["resting or gliding", "flat"], ["dead", "rising"],
    ["tag floats", "dots"], ["tag on bottom", "falling"],
  ];
  const CAUSES = { too_deep: "too deep", cell_low: "cell low", detached: "tag off", death: "death", memory_full: "memory full", recovered: "recovered" };
  const minuteEnd = Array.from(m.t_s, (t) => t + 60);
  // Minutes that were not recorded: a row of nothing, so that no line bridges them.
  const holes = new Set();
  m.t_s.forEach((v, i) => { if (i && v - m.t_s[i - 1] > 90) holes.add(i); });
  const spread = (values, hole) => {
    const out = [];
    values.forEach((v, i) => { if (holes.has(i)) out.push(hole(i)); out.push(v); });
    return out;
  };
  const gaps = (values) => spread(Array.from(values, (v) => (Number.isNaN(v) ? null : v)), () => null);
  const t = spread(Array.from(m.t_s, (v) => v + 30), (i) => m.t_s[i - 1] + 61);
  const now = spread(Array.from(m.now_s), (i) => (m.now_s[i - 1] + m.now_s[i]) / 2);
  const line = new Timeline({
    panels: $("panels"), end: Math.max(meta.duration_s, 1), start: meta.start_unix_s, hz: meta.sample_hz,
    events: meta.events, nights: meta.nights,
  });
  const value = (label, colour, digits, extra) => Object.assign(
    { label, stroke: css(colour), width: 1.5, value: (u, x) => number(x, digits), points: { show: false } }, extra);
  const dashes = { fit: [2, 0], second: [6, 3], third: [2, 3], bound: [10, 4] };
  const lineAt = (u, scale, v, colour, dash, text) => {
    const { ctx, bbox } = u, r = devicePixelRatio || 1, y = u.valToPos(v, scale, true);
    if (y < bbox.top || y > bbox.top + bbox.height) return;
    ctx.save(); ctx.strokeStyle = css(colour); ctx.fillStyle = css(colour); ctx.lineWidth = 1.2 * r; ctx.setLineDash(dash.map((d) => d * r));
    ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(bbox.left + bbox.width, y); ctx.stroke();
    ctx.font = `${11 * r}px system-ui, 'DejaVu Sans', sans-serif`; ctx.textAlign = "right";
    const above = y - bbox.top > 16 * r;
    ctx.fillText(text, bbox.left + bbox.width - 4 * r, above ? y - 4 * r : y + 12 * r);
    ctx.restore();
  };
  // Runs of one value: [from, to, value].
  const runs = (codes, ends) => {
    const out = [];
    for (let i = 0; i < codes.length; i++) {
      const last = out[out.length - 1];
      if (last && last[2] === codes[i] && m.t_s[i] <= last[1] + 1) last[1] = ends[i];
      else out.push([m.t_s[i], ends[i], codes[i]]);
    }
    return out;
  };
  const box = (u, from, to, lane, lanes, fill) => {
    const { ctx, bbox } = u;
    const x0 = Math.max(bbox.left, line.x(u, from)), x1 = Math.min(bbox.left + bbox.width, line.x(u, to));
    if (x1 <= x0) return;
    const h = bbox.height / lanes, pad = Math.min(3, h / 6);
    ctx.fillStyle = fill;
    ctx.fillRect(x0, bbox.top + lane * h + pad, Math.max(x1 - x0, 1), h - 2 * pad);
  };

  // ---- state ----
  const stateRuns = runs(m.state, minuteEnd);
  const present = [...new Set(m.state)].sort();
  line.add("state", "What the animal was doing", `Ribbon of states by minute: ${present.map((s) => STATES[s][0]).join(", ")}.`, () => ({
    height: 74, data: [t, gaps(m.state)], letters: true,
    scales: { y: { range: [0, 1] } },
    axes: [line.axisX(), line.axisY("", { splits: () => [], label: null, size: 70 })],
    series: [{ label: "state", paths: () => null, points: { show: false }, stroke: css("--ink"), value: (u, v) => (v == null ? "\u2013" : STATES[v][0]) }],
    key: present.map((s) => swatch(STATES[s][0], css("--state-" + s), STATES[s][1])),
    drawFirst: (u) => {
      const fills = STATES.map(([, hatch], s) => pattern(u.ctx, css("--state-" + s), hatch, css("--on-state")));
      for (const [a, b, s] of stateRuns) box(u, a, b, 0, 1, fills[s]);
    },
  }));

  // ---- beats and amplitude with the recovery fit ----
  const settle = (u) => {
    const { t, se, estimate } = meta.recovery;
    if (estimate == null || se == null) return;
    const { ctx, bbox } = u, r = devicePixelRatio || 1;
    const x0 = Math.max(bbox.left, line.x(u, estimate - 1.96 * se)), x1 = Math.min(bbox.left + bbox.width, line.x(u, estimate + 1.96 * se));
    ctx.save();
    if (x1 > x0) { ctx.fillStyle = pattern(ctx, "rgba(0,0,0,0)", "rising", css("--c3") + "66"); ctx.fillRect(x0, bbox.top, x1 - x0, bbox.height); }
    const x = line.x(u, estimate);
    if (x >= bbox.left && x <= bbox.left + bbox.width) {
      ctx.strokeStyle = css("--c3"); ctx.lineWidth = 2 * r; ctx.setLineDash(t == null ? [3 * r, 3 * r] : []);
      ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
    }
    ctx.restore();
  };
  const fitted = (id, title, unit, label, source, digits, colour, fit) => {
    const values = gaps(source);
    const fitAt = fit && fit.t_s;
    const describe = `${title} by minute, in ${unit}${fit ? ", with the fitted recovery curve and its 95 % band" : ""}.`;
    line.add(id, title, describe, () => {
      const data = fit
        ? uPlot.join([[t, values], [fitAt, fit.value, fit.low, fit.high]])
        : [t, values];
      return {
        height: 150, data,
        scales: { y: { range: (u, lo, hi) => [0, hi == null ? 1 : hi * 1.08 || 1] } },
        axes: [line.axisX(), line.axisY(unit, { size: 54 })],
        series: [
          value(label, colour, digits, { width: 1, points: { show: true, size: 3, fill: css(colour) } }),
          ...(fit ? [
            value("fit", "--c2", digits, { width: 3, spanGaps: true }),
            value("95 % low", "--c2", digits, { width: 1, dash: [3, 3], spanGaps: true }),
            value("high", "--c2", digits, { width: 1, dash: [3, 3], spanGaps: true }),
          ] : []),
        ],
        bands: fit ? [{ series: [4, 3], fill: css("--band") }] : [],
        drawFirst: settle,
      };
    }, fit ? undefined : null);
  };
  const fits = meta.fit || {};
  fitted("beats", "Tail beats a minute", "beats/min", "beats/min", m.bpm, 1, "--c1", fits.bpm);
  fitted("sway", "Sway amplitude", "g", "sway g", m.sway_g, 3, "--c1", fits.sway_g);
  {
    const note = document.createElement("p");
    note.className = "chart-note";
    note.textContent = (meta.fit_words || "") + (meta.recovery.estimate == null ? "" : " The hatched green band is the tag's own 95 % interval of when the animal had settled.");
    $("chart-sway").append(note);
  }

  // ---- depth, posture, activity ----
  if (meta.has_depth) line.add("depth", "Depth", "Mean depth by minute in metres, surface on top.", () => ({
    height: 130, data: [t, gaps(m.depth_m)],
    scales: { y: { dir: -1, range: (u, lo, hi) => [Math.min(0, lo ?? 0), Math.max(5, (hi ?? 5) * 1.05)] } },
    axes: [line.axisX(), line.axisY("m")],
    series: [value("depth m", "--c1", 1, { fill: css("--c1") + "22", fillTo: 0 })],
  }));
  line.add("posture", "Roll and pitch", "Mean roll and pitch by minute in degrees; roll dashed.", () => ({
    height: 140, data: [t, gaps(m.roll_deg), gaps(m.pitch_deg)],
    scales: { y: { range: (u, lo, hi) => { const most = Math.max(30, Math.abs(lo ?? 0), Math.abs(hi ?? 0)); return most > 95 ? [-185, 185] : [-most * 1.1, most * 1.1]; } } },
    axes: [line.axisX(), line.axisY("degrees")],
    series: [value("roll \u00b0 (left flank up +)", "--c2", 0, { dash: dashes.second }), value("pitch \u00b0 (head up +)", "--c1", 0)],
  }));
  line.add("activity", "Activity", "Mean overall and vectorial dynamic body acceleration by minute in g; the second dashed.", () => ({
    height: 130, data: [t, gaps(m.odba_g), gaps(m.vedba_g)],
    scales: { y: { range: (u, lo, hi) => [0, (hi ?? 0.1) * 1.08] } },
    axes: [line.axisX(), line.axisY("g")],
    series: [value("ODBA g", "--c1", 3), value("VeDBA g", "--c2", 3, { dash: dashes.second })],
  }));

  // ---- the release and its evidence ----
  const B = meta.bounds;
  line.add("evidence", "Evidence on fate", "Natural logarithm of the likelihood ratio against a living animal that wears the tag, with the bounds at which the tag decides.", () => ({
    height: 150, data: [now, gaps(m.not_living).map((v) => v == null ? v : Math.max(v, 0)), gaps(m.floating), gaps(m.on_bottom)],
    scales: { y: { range: (u, lo, hi) => [0, Math.max(B.not_living * 1.25, hi ?? 0)] } },
    axes: [line.axisX(), line.axisY("ln ratio")],
    series: [
      value("against a living animal", "--c2", 1, { width: 2 }),
      value("tag floats", "--c4", 1, { dash: dashes.second, show: tagOff() }),
      value("tag on bottom", "--c5", 1, { dash: dashes.third, show: tagOff() }),
    ],
    draw: (u) => {
      lineAt(u, "y", B.not_living, "--c2", dashes.bound, "not living, or tag off");
    },
  }), "Each minute without life adds evidence, each with beats takes it away; below 0 the animal lives, and the test starts anew. Floating and lying on the bottom are weighed against a carcass, and count once the upper bound is passed.");
  function tagOff() { return m.state.some((s) => s >= 3); }

  const h = meta.recovery.history;
  if (h.length) line.add("settling", "Recovery as the tag estimates it", "Probability that the animal has settled, as estimated each time, with the bound at which the tag decides.", () => ({
    height: 110, data: [h.map((r) => r[0]), h.map((r) => r[3]), h.map((r) => r[1] / 3600), h.map((r) => r[2] / 3600)],
    scales: { y: { range: [0, 1.05] }, none: { range: [0, 1] } },
    axes: [line.axisX(), line.axisY("probability")],
    series: [value("settled by now", "--c3", 2, { width: 2, points: { show: true, size: 5 } }),
      { label: "estimate h", scale: "none", paths: () => null, points: { show: false }, value: (u, v) => number(v, 1) },
      { label: "\u00b1 h", scale: "none", paths: () => null, points: { show: false }, value: (u, v) => number(v, 1) }],
    draw: (u) => lineAt(u, "y", B.recovery_prob, "--c3", dashes.bound, "settled, if the estimate is steady too"),
  }));

  const causeBits = meta.causes.map((name, i) => ({ name: CAUSES[name], bit: 1 << i }));
  const lanes = [{ name: "floor", spans: [[0, Math.min(B.floor_s, line.end)]], colour: "--state-0", hatch: "cross" }];
  for (const { name, bit } of causeBits) {
    const spans = runs(Array.from(m.standing, (v) => (v & bit ? 1 : 0)), minuteEnd).filter((r) => r[2]);
    if (spans.length) lanes.push({ name, spans, colour: "--state-4", hatch: "rising" });
  }
  lanes.push({ name: "ceiling", spans: B.ceiling_s < line.end ? [[B.ceiling_s, line.end]] : [], colour: "--state-3", hatch: "plain" });
  line.add("release", "Grounds for letting go", `Which grounds stood when. ${meta.release.t == null ? "The tag did not let go." : "The tag lets go for the cause " + meta.release.cause.replace("_", " ") + "."}`, () => ({
    height: 50 + 20 * lanes.length, data: [t, gaps(m.standing)],
    scales: { y: { range: [0, lanes.length] } },
    axes: [line.axisX(), line.axisY(null, { label: null, size: 70, grid: { show: false },
      splits: () => lanes.map((_, i) => lanes.length - i - 0.5), values: () => lanes.map((l) => l.name) })],
    series: [{ label: "stands", paths: () => null, points: { show: false },
      value: (u, v) => (v == null ? "\u2013" : causeBits.filter((c) => v & c.bit).map((c) => c.name).join(", ") || "nothing") }],
    key: [swatch("waits for the floor", css("--state-0"), "cross"), swatch("cause stands", css("--state-4"), "rising")],
    drawFirst: (u) => lanes.forEach((l, i) => {
      const fill = pattern(u.ctx, css(l.colour), l.hatch, css("--on-state"));
      l.spans.forEach(([a, b]) => box(u, a, b, i, lanes.length, fill));
    }),
  }), meta.release.t == null
    ? "A cause has to stand for its confirmation time, and some wait for daylight; L would mark the letting go."
    : "L marks the letting go. A cause has to stand for its confirmation time, and some wait for daylight.");
  line.add("cell", "Cell and memory", "Charge left in the cell and memory used, in percent; memory dashed.", () => ({
    height: 120, data: [now, gaps(m.cell_left.map((v) => v * 100)), gaps(m.memory_used.map((v) => v * 100))],
    scales: { y: { range: [0, 105] } },
    axes: [line.axisX(), line.axisY("%")],
    series: [value("cell left %", "--c1", 2, { width: 2 }), value("memory used %", "--c2", 2, { width: 2, dash: dashes.second })],
    draw: (u) => {
      lineAt(u, "y", B.cell * 100, "--c1", dashes.bound, "reserve of the cell");
      lineAt(u, "y", B.memory * 100, "--c2", dashes.bound, "memory taken as full");
    },
  }), "Cell: what can be had at the temperature of the time. Age takes some for good, cold keeps some back until it is warmer: it can be below 100 % with nothing used, and rise.");

  // ---- raw axes ----
  const raw = rawAxes(meta, line);
  const axes = [["raw-x", "Raw x axis", "--c1"], ["raw-y", "Raw y axis", "--c2"], ["raw-z", "Raw z axis", "--c3"]];
  axes.forEach(([id, title, colour], axis) => {
    const chart = line.add(id, title, `${title} of the sensor in g: least and greatest of each stretch, single samples when zoomed in; tail beats marked.`, () => ({
      height: 130, data: raw.data[axis],
      scales: { y: { range: (u, lo, hi) => { const pad = Math.max(0.02, ((hi ?? 1) - (lo ?? -1)) * 0.08); return [(lo ?? -1) - pad, (hi ?? 1) + pad]; } } },
      axes: [line.axisX(), line.axisY("g")],
      series: [value("least g", colour, 3, { width: 1 }), value("greatest g", colour, 3, { width: 1, points: { show: (u) => raw.span() < 400, size: 4 } })],
      bands: [{ series: [2, 1], fill: css(colour) + "55" }],
      draw: (u) => { raw.beatMarks(u, axis === 0); raw.faultMarks(u, axis === 0); raw.ownMarks(u, axis === 0); if (axis === 2) raw.fullBar(u); },
    }));
    raw.charts[axis] = chart;
  });
  $("chart-raw-z").append(Object.assign(document.createElement("p"), { id: "raw-note", className: "chart-note" }));
  line.moved.push(() => { raw.shownNow = raw.show(); });
  line.read = (at) => {
    const i = Math.max(0, m.t_s.findLastIndex((v) => v <= at));
    if (!m.t_s.length) return "";
    return `Minute: ${STATES[m.state[i]][0]}, ${number(m.bpm[i], 1)} beats/min, sway ${number(m.sway_g[i], 3)} g, ODBA ${number(m.odba_g[i], 3)} g, ` +
      `pitch ${number(m.pitch_deg[i], 0)}\u00b0, roll ${number(m.roll_deg[i], 0)}\u00b0` + (meta.has_depth ? `, depth ${number(m.depth_m[i], 1)} m.` : ".");
  };
  line.set(0, line.end);
  await raw.shownNow;
  window.swaymark = { line, raw, meta };
  document.documentElement.dataset.ready = String(Math.round(performance.now()));
})().catch((e) => { $("now").textContent = "The plots could not be drawn: " + e.message; throw e; });

// The raw axes: the level of the pyramid that suits the zoom, or full rate where there is any.
function rawAxes(meta, line) {
  const period = 1 / meta.sample_hz, R = meta.raw;
  const texts = {}, cache = new Map();
  const text = (id) => (texts[id] ??= $(id).textContent);
  const cached = (key, make) => {
    let p = cache.get(key);
    if (p) cache.delete(key); else p = make();
    cache.set(key, p);
    if (cache.size > 400) cache.delete(cache.keys().next().value);
    return p;
  };
  const tile = (id, off, len, unpack) => cached(id + off, async () => { self.unpacked += len; return unpack(await inflate(text(id).substr(off, len))); });
  const bounds = (n) => (bytes) => {
    const it = integers(bytes), axes = [];
    for (let a = 0; a < 3; a++) {
      const low = new Float32Array(n).fill(NaN), high = new Float32Array(n).fill(NaN);
      let last = 0;
      for (let i = 0; i < n; i++) { const c = it.next().value; if (c) { last += unfold(c - 1); low[i] = last / R.bounds_per_g; } }
      for (let i = 0; i < n; i++) if (!Number.isNaN(low[i])) high[i] = low[i] + it.next().value / R.bounds_per_g;
      axes.push([low, high]);
    }
    return axes;
  };
  const samples = ([t0, t1, n, irregular]) => (bytes) => {
    const it = integers(bytes), axes = [], at = new Float64Array(n);
    for (let a = 0; a < 3; a++) {
      const v = new Float32Array(n).fill(NaN);
      let last = 0;
      for (let i = 0; i < n; i++) { const c = it.next().value; if (c) { last += unfold(c - 1); v[i] = last / R.full_per_g; } }
      axes.push(v);
    }
    at[0] = t0;
    for (let i = 1; i < n; i++) at[i] = irregular ? at[i - 1] + it.next().value / 1e6 : t0 + ((t1 - t0) * i) / (n - 1);
    return { at, axes };
  };
  const self = {
    data: [[[], [], []], [[], [], []], [[], [], []]], charts: [], beats: null, run: 0, shown: "", unpacked: 0,
    span: () => (line.to - line.from) / period,
    async show() {
      const run = ++self.run, from = line.from, to = line.to, width = line.width();
      const perPixel = (to - from) / width / period;
      const full = R.full.filter((f) => f[1] >= from && f[0] <= to);
      const finest = R.levels[0];
      // A level with at least one bin a pixel; full rate below the finest.
      let level = null;
      for (const l of R.levels) if (l.samples <= Math.max(1, perPixel)) level = l;
      const useFull = !level && full.length && self.span() < 60000;
      if (!level && !(R.complete && useFull)) level = finest;
      const out = [0, 1, 2].map(() => [[], [], []]);
      const push = (t, a, low, high) => { out[a][0].push(t); out[a][1].push(low); out[a][2].push(high); };
      const none = (v) => (Number.isNaN(v) ? null : v);
      let pieces = [];
      if (useFull) for (const f of full) pieces.push({ from: f[0], to: f[1] + period, full: f });
      if (level) {
        const bin = level.samples * period;
        for (const [first, n, off, len] of level.tiles) {
          if ((first + n) * bin < from || first * bin > to) continue;
          pieces.push({ from: first * bin, to: (first + n) * bin, bins: [first, n, off, len], bin });
        }
      }
      const unpacked = await Promise.all(pieces.map((p) => p.full
        ? tile("data-full", p.full[4], p.full[5], samples(p.full))
        : tile("data-level-" + R.levels.indexOf(level), p.bins[2], p.bins[3], bounds(p.bins[1]))));
      if (run !== self.run) return;
      const rows = [];
      const covered = (t) => useFull && full.some((f) => t >= f[0] - period && t <= f[1] + period);
      pieces.forEach((p, k) => {
        if (p.full) {
          const { at, axes } = unpacked[k];
          for (let i = 0; i < at.length; i++) if (at[i] >= from - 1 && at[i] <= to + 1) rows.push([at[i], axes[0][i], axes[0][i], axes[1][i], axes[1][i], axes[2][i], axes[2][i]]);
          rows.push([at[at.length - 1] + period, NaN, NaN, NaN, NaN, NaN, NaN]);
        } else {
          const axes = unpacked[k], [first, n] = p.bins;
          const i0 = Math.max(0, Math.floor(from / p.bin - first) - 1), i1 = Math.min(n, Math.ceil(to / p.bin - first) + 2);
          for (let i = i0; i < i1; i++) {
            const t = (first + i + 0.5) * p.bin;
            if (!covered(t)) rows.push([t, axes[0][0][i], axes[0][1][i], axes[1][0][i], axes[1][1][i], axes[2][0][i], axes[2][1][i]]);
          }
          rows.push([(first + n) * p.bin, NaN, NaN, NaN, NaN, NaN, NaN]);
        }
      });
      rows.sort((a, b) => a[0] - b[0]);
      for (const r of rows) for (let a = 0; a < 3; a++) push(r[0], a, none(r[1 + 2 * a]), none(r[2 + 2 * a]));
      self.data = out;
      if ((to - from) < 7200 && !self.beats) await self.loadBeats();
      if (run !== self.run) return;
      self.charts.forEach((c, a) => c.plot.setData(out[a], false));
      self.charts.forEach((c) => c.plot.setScale("x", { min: from, max: to }));
      const fullShown = useFull && pieces.some((p) => p.full);
      self.shown = fullShown ? (level ? "mixed" : "full") : "bounds";
      const step = level ? level.samples * period : 0;
      $("raw-note").textContent = (self.shown === "full" ? "Shown: every sample."
        : self.shown === "mixed" ? `Shown: every sample where the bar at the foot is filled, elsewhere the least and greatest of every ${number(step, 2)} s.`
        : `Shown: the least and greatest of every ${step < 60 ? number(step, 2) + " s" : number(step / 60, 1) + " min"}.`) +
        ((to - from) < 7200 ? " Triangles mark tail beats, crosses faults." : " Tail beats are marked from two hours down; crosses mark faults.") +
        (meta.own ? " Diamonds mark own events." : "");
    },
    async loadBeats() {
      const at = [], g = [], it = integers(await inflate($("data-beats").textContent));
      let ms = 0;
      for (let n = it.next(); !n.done; n = it.next()) { ms += n.value; at.push(ms / 1000); g.push(it.next().value / meta.beat_per_g); }
      self.beats = { at, g };
    },
    between(from, to) {
      const { at } = self.beats;
      const first = (v) => { let a = 0, b = at.length; while (a < b) { const c = (a + b) >> 1; if (at[c] < v) a = c + 1; else b = c; } return a; };
      return [first(from), first(to)];
    },
    beatMarks(u, top) {
      if (!self.beats || line.to - line.from >= 7200) return;
      const { ctx, bbox } = u, r = devicePixelRatio || 1, [a, b] = self.between(line.from, line.to);
      const lines = b - a < 150;
      ctx.save(); ctx.fillStyle = css("--mark"); ctx.strokeStyle = css("--mark"); ctx.globalAlpha = 0.75; ctx.lineWidth = 0.7 * r; ctx.setLineDash([2 * r, 3 * r]);
      for (let i = a; i < b; i++) {
        const x = line.x(u, self.beats.at[i]);
        if (top) { ctx.beginPath(); ctx.moveTo(x - 3 * r, bbox.top); ctx.lineTo(x + 3 * r, bbox.top); ctx.lineTo(x, bbox.top + 6 * r); ctx.fill(); }
        if (lines) { ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke(); }
      }
      ctx.restore();
    },
    faultMarks(u, words) {
      const { ctx, bbox } = u, r = devicePixelRatio || 1;
      ctx.save(); ctx.strokeStyle = css("--bad"); ctx.fillStyle = css("--bad"); ctx.lineWidth = 2 * r;
      ctx.font = `${11 * r}px system-ui, 'DejaVu Sans', sans-serif`;
      let free = -1;
      for (const f of meta.faults) {
        const x = line.x(u, f.t);
        if (x < bbox.left || x > bbox.left + bbox.width) continue;
        const y = bbox.top + bbox.height - 6 * r;
        ctx.beginPath(); ctx.moveTo(x - 4 * r, y - 4 * r); ctx.lineTo(x + 4 * r, y + 4 * r); ctx.moveTo(x - 4 * r, y + 4 * r); ctx.lineTo(x + 4 * r, y - 4 * r); ctx.stroke();
        if (words && x > free) { ctx.fillText(f.what, x + 6 * r, y + 3 * r); free = x + ctx.measureText(f.what).width + 14 * r; }
      }
      ctx.restore();
    },
    // Events of a detector of one's own: a diamond at the foot, above the crosses.
    ownMarks(u, words) {
      const { ctx, bbox } = u, r = devicePixelRatio || 1;
      ctx.save(); ctx.strokeStyle = css("--c4"); ctx.fillStyle = css("--c4");
      ctx.font = `${11 * r}px system-ui, 'DejaVu Sans', sans-serif`;
      let free = -1;
      for (const e of meta.own || []) {
        const x = line.x(u, e.t);
        if (x < bbox.left || x > bbox.left + bbox.width) continue;
        const y = bbox.top + bbox.height - 18 * r;
        ctx.beginPath(); ctx.moveTo(x, y - 5 * r); ctx.lineTo(x + 5 * r, y); ctx.lineTo(x, y + 5 * r); ctx.lineTo(x - 5 * r, y); ctx.fill();
        if (words && x > free) { ctx.fillText(e.what, x + 7 * r, y + 4 * r); free = x + ctx.measureText(e.what).width + 15 * r; }
      }
      ctx.restore();
    },
    fullBar(u) {
      if (R.complete) return;
      const { ctx, bbox } = u, r = devicePixelRatio || 1, y = bbox.top + bbox.height - 4 * r;
      ctx.save(); ctx.fillStyle = css("--c3");
      for (const f of R.full) {
        const x0 = Math.max(bbox.left, line.x(u, f[0])), x1 = Math.min(bbox.left + bbox.width, line.x(u, f[1]));
        if (x1 > x0) ctx.fillRect(x0, y, Math.max(r, x1 - x0), 4 * r);
      }
      ctx.restore();
    },
  };
  return self;
}
