// Shared by all pages: colours, unpacking, linked plots over time.
"use strict";
const $ = (id) => document.getElementById(id);
const colours = new Map();
const css = (name) => {
  if (!colours.has(name)) colours.set(name, getComputedStyle(document.documentElement).getPropertyValue(name).trim());
  return colours.get(name);
};

// ---- colours: as the system, light, dark; always light on paper ----
const theme = (() => {
  const system = matchMedia("(prefers-color-scheme: dark)");
  const choices = ["as the system", "light", "dark"];
  let choice = 0, printing = false;
  const heard = [];
  const apply = () => {
    const dark = !printing && (choice === 2 || (choice === 0 && system.matches));
    colours.clear();
    document.documentElement.dataset.theme = dark ? "dark" : "light";
    $("theme").textContent = "Colours: " + choices[choice];
    heard.forEach((f) => f(printing));
  };
  system.addEventListener("change", apply);
  $("theme").addEventListener("click", () => { choice = (choice + 1) % 3; apply(); });
  addEventListener("beforeprint", () => { printing = true; apply(); });
  addEventListener("afterprint", () => { printing = false; apply(); });
  apply();
  return { heard, get printing() { return printing; } };
})();

// ---- unpacking ----
async function inflate(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}
const unfold = (v) => (v >>> 1) ^ -(v & 1);
function* integers(bytes) {
  for (let i = 0; i < bytes.length; ) {
    let v = 0, shift = 0, b;
    do { b = bytes[i++]; v |= (b & 0x7f) << shift; shift += 7; } while (b & 0x80);
    yield v >>> 0;
  }
}
async function columns(id, names) {
  const all = new Float32Array((await inflate($(id).textContent)).buffer);
  const n = all.length / names.length;
  return Object.fromEntries(names.map((name, i) => [name, all.subarray(i * n, (i + 1) * n)]));
}

// ---- patterns: told apart without colour ----
const hatches = {
  plain: () => {},
  rising: (c) => { c.moveTo(-2, 10); c.lineTo(10, -2); c.moveTo(-2, 2); c.lineTo(2, -2); c.moveTo(6, 10); c.lineTo(10, 6); },
  falling: (c) => { c.moveTo(-2, -2); c.lineTo(10, 10); c.moveTo(-2, 6); c.lineTo(2, 10); c.moveTo(6, -2); c.lineTo(10, 2); },
  cross: (c) => { hatches.rising(c); hatches.falling(c); },
  flat: (c) => { c.moveTo(0, 4); c.lineTo(8, 4); },
  upright: (c) => { c.moveTo(4, 0); c.lineTo(4, 8); },
  dots: (c) => { c.rect(1, 1, 1.5, 1.5); c.rect(5, 5, 1.5, 1.5); },
};
function patternTile(colour, hatch, line) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = 8;
  const c = tile.getContext("2d");
  c.fillStyle = colour; c.fillRect(0, 0, 8, 8);
  c.strokeStyle = line; c.lineWidth = 1.2; c.beginPath(); hatches[hatch](c); c.stroke();
  return tile;
}
const pattern = (ctx, colour, hatch, line) => ctx.createPattern(patternTile(colour, hatch, line), "repeat");

// ---- numbers and times ----
const number = (v, digits) => (v == null || Number.isNaN(v) ? "\u2013" : v.toFixed(digits));
const two = (v) => String(v).padStart(2, "0");
function utcText(unix_s, step_s) {
  const d = new Date(Math.round(unix_s * 1000));
  const day = d.getUTCFullYear() + "-" + two(d.getUTCMonth() + 1) + "-" + two(d.getUTCDate());
  const ms = step_s < 1 ? "." + String(d.getUTCMilliseconds()).padStart(3, "0").slice(0, step_s < 0.01 ? 3 : 2) : "";
  return { day, clock: two(d.getUTCHours()) + ":" + two(d.getUTCMinutes()) + (step_s < 60 ? ":" + two(d.getUTCSeconds()) + ms : "") };
}
function sinceText(s, step_s) {
  if (step_s >= 3600) return number(s / 3600, step_s % 3600 ? 1 : 0) + " h";
  const sign = s < 0 ? "-" : "", whole = Math.abs(s) + 1e-6;
  const digits = step_s < 1 ? (step_s < 0.1 ? 2 : 1) : 0;
  const h = Math.floor(whole / 3600), m = Math.floor((whole % 3600) / 60), sec = whole % 60;
  const tail = step_s >= 60 ? "" : ":" + (Math.floor(sec * 10 ** digits) / 10 ** digits).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  return sign + h + ":" + two(m) + tail;
}
const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200,
  10800, 21600, 43200, 86400, 172800, 432000, 864000];

// ---- linked plots over seconds since release ----
class Timeline {
  constructor(opts) {
    Object.assign(this, { start: null, end: 1, events: [], nights: [], utc: false }, opts);
    this.charts = [];
    this.from = 0; this.to = this.end;
    this.cursor = null;
    this.moved = [];
    const panels = this.panels;
    panels.addEventListener("keydown", (e) => this.key(e));
    this.wide = panels.clientWidth;
    new ResizeObserver(() => {
      if (panels.clientWidth !== this.wide && !theme.printing) { this.wide = panels.clientWidth; this.size(); }
    }).observe(panels);
    theme.heard.push(() => this.redraw());
    document.querySelectorAll("#bar [data-span]").forEach((b) => b.addEventListener("click", () => this.span(b.dataset.span)));
    document.querySelectorAll("#bar [data-do]").forEach((b) => b.addEventListener("click", () => this.act(b.dataset.do)));
    $("clock").addEventListener("click", () => { this.utc = !this.utc; $("clock").textContent = this.utc ? "Show hours" : "Show UTC"; this.redraw(); });
    if (this.start == null) $("clock").hidden = true;
  }
  width() { return theme.printing ? 690 : Math.max(280, this.wide); }
  key(e) {
    if (e.altKey || e.metaKey || (e.ctrlKey && e.key !== "+" && e.key !== "-")) return;
    const does = { "+": "in", "=": "in", "-": "out", n: "next", p: "previous", 0: "all", Home: "first", End: "last" }[e.key]
      || { ArrowLeft: e.shiftKey ? "left" : "back", ArrowRight: e.shiftKey ? "right" : "on" }[e.key];
    if (does) { e.preventDefault(); this.act(does); }
  }
  act(what) {
    const w = this.to - this.from, mid = this.cursor ?? (this.from + this.to) / 2;
    const near = (this.from + this.to) / 2;
    switch (what) {
      case "in": return this.set(mid - (mid - this.from) / 2, mid + (this.to - mid) / 2);
      case "out": return this.set(mid - (mid - this.from) * 2, mid + (this.to - mid) * 2);
      case "left": return this.set(this.from - w / 4, this.to - w / 4);
      case "right": return this.set(this.from + w / 4, this.to + w / 4);
      case "all": return this.set(0, this.end);
      case "first": return this.point(this.from);
      case "last": return this.point(this.to);
      case "back": return this.point((this.cursor ?? this.to) - w / 200);
      case "on": return this.point((this.cursor ?? this.from) + w / 200);
      case "next": case "previous": {
        const at = this.visited ?? (what === "next" ? -Infinity : Infinity);
        const e = what === "next" ? this.events.find((e) => e.t > at + 0.5) : this.events.findLast((e) => e.t < at - 0.5);
        if (!e) return;
        const half = Math.min(w, Math.max(600, this.end / 8)) / 2;
        this.set(e.t - half, e.t + half);
        this.visited = e.t;
        // Once the plots show the new stretch.
        return Promise.resolve().then(() => this.point(e.t, e.what));
      }
    }
  }
  span(name) {
    if (name === "all") return this.set(0, this.end);
    const mid = this.cursor ?? (this.from + this.to) / 2;
    this.set(mid - name / 2, mid + name / 2);
  }
  set(from, to) {
    const least = 20 / this.hz;
    let w = Math.min(Math.max(to - from, least), this.end);
    let a = from + (to - from - w) / 2;
    a = Math.max(0, Math.min(a, this.end - w));
    this.from = a; this.to = a + w;
    this.visited = undefined;
    for (const c of this.charts) c.plot.setScale("x", { min: this.from, max: this.to });
    document.querySelectorAll("#bar [data-span]").forEach((b) => b.setAttribute("aria-pressed",
      String(b.dataset.span === "all" ? w === this.end : w < this.end && Math.abs(b.dataset.span - w) < 1e-6)));
    this.moved.forEach((f) => f(this.from, this.to));
    this.tell();
  }
  // Puts the cursor of all plots at a time, s since release.
  point(t, what) {
    t = Math.max(this.from, Math.min(t, this.to));
    this.pointed = performance.now();
    const c = this.charts[0].plot;
    c.setCursor({ left: c.valToPos(t, "x"), top: 1 });
    for (const other of this.charts.slice(1)) other.plot.setCursor({ left: other.plot.valToPos(t, "x"), top: 1 });
    this.cursor = t;
    this.tell(what, true);
  }
  tell(what, values) {
    const t = this.cursor;
    const at = (s) => sinceText(s, 1) + " after release" + (this.start == null ? "" : ", " + Object.values(utcText(this.start + s, 1)).join(" ") + " UTC");
    const step = this.to - this.from < 1200 ? 1 : 60;
    let text = "Shown: " + sinceText(this.from, step) + " to " + sinceText(this.to, step) + (step < 60 ? " h:min:s" : " h:min") + " after release.";
    if (t != null) text = at(t) + (what ? ": " + what : "") + ".";
    if (t != null && values && this.read) text += " " + this.read(t);
    $("now").textContent = text;
  }
  axisX() {
    return {
      stroke: css("--soft"), grid: { stroke: css("--grid"), width: 1 }, ticks: { stroke: css("--grid"), size: 4 },
      size: 30, font: "12px system-ui, 'DejaVu Sans', sans-serif", incrs: STEPS, space: 90,
      splits: (u, i, min, max, incr) => {
        const off = this.utc && this.start != null ? ((-this.start % incr) + incr) % incr : 0;
        const out = [];
        for (let v = Math.ceil((min - off) / incr) * incr + off; v <= max + 1e-9; v += incr) out.push(v);
        return out;
      },
      values: (u, splits, i, space, incr) => splits.map((s) => {
        if (!this.utc || this.start == null) return sinceText(s, incr);
        const { day, clock } = utcText(this.start + s, incr);
        return clock.startsWith("00:00") && incr >= 600 ? day.slice(5) : clock;
      }),
    };
  }
  axisY(label, extra) {
    return Object.assign({
      label, labelSize: 16, labelFont: "12px system-ui, 'DejaVu Sans', sans-serif", labelGap: 2, stroke: css("--soft"),
      grid: { stroke: css("--grid"), width: 1 }, ticks: { show: false }, size: 54, gap: 4,
      font: "12px system-ui, 'DejaVu Sans', sans-serif",
    }, extra);
  }
  // Adds a plot. `build(timeline)` gives { height, series, scales, axes, bands, draw, data }.
  add(id, title, describe, build, note) {
    const figure = document.createElement("div");
    figure.className = "chart"; figure.id = "chart-" + id;
    figure.innerHTML = '<div class="chart-head"><h3></h3><div class="legend"></div><div class="key"></div></div><div class="plot" role="img"></div>';
    figure.querySelector("h3").textContent = title;
    figure.querySelector(".plot").setAttribute("aria-label", describe);
    if (note) {
      const p = document.createElement("p");
      p.className = "chart-note"; p.textContent = note; figure.append(p);
    }
    this.panels.append(figure);
    const chart = { id, figure, build, plot: null };
    this.charts.push(chart);
    this.make(chart);
    return chart;
  }
  make(chart) {
    const spec = chart.build(this);
    const keep = chart.plot ? chart.plot.data : spec.data;
    if (chart.plot) chart.plot.destroy();
    const key = chart.figure.querySelector(".key");
    key.replaceChildren(...(spec.key || []));
    const legend = chart.figure.querySelector(".legend");
    const self = this;
    const opts = {
      width: this.width(), height: spec.height || 130,
      padding: [spec.letters ? 15 : 6, 26, 0, 0],
      scales: Object.assign({ x: { time: false, range: () => [self.from, self.to] } }, spec.scales),
      axes: spec.axes, series: [{ label: "t" }, ...spec.series], bands: spec.bands || [],
      legend: { live: true, markers: { width: 2, dash: (u, i) => (u.series[i].dash ? "dashed" : "solid") }, mount: (u, table) => { legend.replaceChildren(table); } },
      cursor: {
        sync: { key: "t", scales: ["x", null], setSeries: false, filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
        drag: { x: true, y: false, setScale: false, dist: 4 },
        points: { size: 7 },
        bind: { dblclick: () => () => { self.set(0, self.end); return null; } },
        y: false,
      },
      hooks: {
        drawClear: [(u) => self.night(u)],
        draw: [(u) => { self.marks(u, spec.letters); if (spec.draw) spec.draw(u); }],
        setSelect: [(u) => {
          if (u.select.width < 4) return;
          const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
          self.set(a, b);
        }],
        setCursor: [(u) => {
          if (u.cursor.left == null || u.cursor.left < 0 || !u.cursor.event) return;
          if (u.cursor.event.timeStamp <= (self.pointed ?? -1)) return; // an old event of the mouse
          self.cursor = u.posToVal(u.cursor.left, "x");
          self.tell();
        }],
      },
    };
    if (spec.drawFirst) opts.hooks.drawAxes = [spec.drawFirst];
    const place = chart.figure.querySelector(".plot");
    place.replaceChildren();
    chart.plot = new uPlot(opts, keep, place);
    chart.plot.over.addEventListener("wheel", (e) => {
      if (!e.ctrlKey) return;
      e.preventDefault();
      const at = self.from + (e.offsetX / chart.plot.over.clientWidth) * (self.to - self.from);
      const f = e.deltaY < 0 ? 0.7 : 1 / 0.7;
      self.set(at - (at - self.from) * f, at + (self.to - at) * f);
    }, { passive: false });
  }
  size() { for (const c of this.charts) c.plot.setSize({ width: this.width(), height: c.plot.height }); this.moved.forEach((f) => f(this.from, this.to)); }
  redraw() { for (const c of this.charts) this.make(c); if (this.charts.length) this.set(this.from, this.to); }
  x(u, t) { return u.valToPos(t, "x", true); }
  night(u) {
    const { ctx, bbox } = u;
    ctx.save(); ctx.fillStyle = css("--night");
    for (const [a, b] of this.nights) {
      const x0 = Math.max(bbox.left, this.x(u, a)), x1 = Math.min(bbox.left + bbox.width, this.x(u, b));
      if (x1 > x0) ctx.fillRect(x0, bbox.top, x1 - x0, bbox.height);
    }
    ctx.restore();
  }
  marks(u, letters) {
    const { ctx, bbox } = u, r = devicePixelRatio || 1;
    ctx.save(); ctx.strokeStyle = css("--mark"); ctx.fillStyle = css("--mark"); ctx.lineWidth = r;
    ctx.font = `600 ${11 * r}px system-ui, 'DejaVu Sans', sans-serif`; ctx.textAlign = "center";
    let last = -99;
    for (const e of this.events) {
      const x = Math.round(this.x(u, e.t));
      if (x < bbox.left - 1 || x > bbox.left + bbox.width + 1) continue;
      ctx.setLineDash(e.letter === e.letter.toUpperCase() ? [5 * r, 3 * r] : [1.5 * r, 3 * r]);
      ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
      if (letters) { const at = Math.max(x, last + 11 * r); ctx.fillText(e.letter, Math.min(at, bbox.left + bbox.width - 4 * r), bbox.top - 3 * r); last = at; }
    }
    ctx.restore();
  }
}
// Entry of a key: a swatch and a word.
function keyEntry(word, paint) {
  const span = document.createElement("span"), i = document.createElement("i");
  paint(i); span.append(i, word);
  return span;
}
const swatch = (word, colour, hatch) => keyEntry(word, (i) => {
  i.style.backgroundImage = `url(${patternTile(colour, hatch, css("--on-state")).toDataURL()})`;
});
