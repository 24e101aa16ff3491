// Plots with one x axis in common that is not the time of a deployment.
"use strict";
const FONT = "12px system-ui, 'DejaVu Sans', sans-serif";
const COLOURS = ["--c1", "--c2", "--c3", "--c4", "--c5"], DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 2]];
const axis = (extra) => ({
  stroke: css("--soft"), grid: { stroke: css("--grid"), width: 1 }, ticks: { stroke: css("--grid"), size: 4 },
  font: FONT, labelFont: FONT, labelSize: 16, ...extra,
});
// A line, and the two edges of its band, of colour and dash `n`.
const line = (label, n, digits, extra) => ({
  label, stroke: css(COLOURS[n % 5]), width: 2.5, dash: DASHES[n % 5], points: { show: false }, value: (u, v) => number(v, digits), ...extra,
});
const edge = (label, n, digits, extra) => line(label, n, digits, { stroke: css(COLOURS[n % 5]) + "55", width: 1, dash: undefined, ...extra });
const bandFill = (n) => css(COLOURS[n % 5]) + "2a";
// Text on a plot that stays within it, on the colour of the page.
function plotText(u, text, x, y, align = "left") {
  const { ctx, bbox } = u, r = devicePixelRatio || 1;
  ctx.save();
  ctx.font = `${11.5 * r}px system-ui, 'DejaVu Sans', sans-serif`; ctx.textAlign = "left"; ctx.textBaseline = "middle";
  const w = ctx.measureText(text).width, from = align === "right" ? x - w : align === "center" ? x - w / 2 : x;
  const at = Math.max(bbox.left + 2 * r, Math.min(from, bbox.left + bbox.width - w - 2 * r));
  ctx.globalAlpha = 0.8; ctx.fillStyle = css("--paper"); ctx.fillRect(at - 2 * r, y - 8 * r, w + 4 * r, 16 * r);
  ctx.globalAlpha = 1; ctx.fillStyle = css("--ink"); ctx.fillText(text, at, y);
  ctx.restore();
}
class Charts {
  // `tell(x)` is called as the cursor moves; `step(direction)`, where given, in place of it for arrow keys.
  constructor(opts) {
    Object.assign(this, { from: 0, to: 1, printed: 690, sync: null, tell: () => {}, step: null }, opts);
    this.all = [this.from, this.to]; this.cursor = null; this.charts = [];
    this.panels.addEventListener("keydown", (e) => this.key(e));
    let wide = this.panels.clientWidth;
    new ResizeObserver(() => {
      if (this.panels.clientWidth === wide || theme.printing) return;
      wide = this.panels.clientWidth;
      this.charts.forEach((c) => c.plot.setSize({ width: this.width(c), height: c.plot.height }));
    }).observe(this.panels);
    theme.heard.push(() => this.redraw());
  }
  width(chart) { return theme.printing ? this.printed : Math.max(260, chart.figure.clientWidth); }
  // `build()` gives { height, series, data, scales, axes, bands, under, draw, hover, press, key }.
  add(id, title, describe, build, { note, into = this.panels } = {}) {
    const figure = document.createElement("div");
    figure.className = "chart"; figure.id = "chart-" + id;
    figure.innerHTML = '<div class="chart-head"><h3></h3><div class="legend"></div><div class="key"></div></div><div class="plot" role="img"></div>';
    figure.querySelector("h3").textContent = title;
    if (note) {
      const p = document.createElement("p");
      p.className = "chart-note"; p.textContent = note; figure.append(p);
    }
    into.append(figure);
    const chart = { id, figure, build, describe, plot: null };
    this.charts.push(chart);
    this.make(chart);
    return chart;
  }
  make(chart) {
    const spec = chart.build(), self = this;
    if (chart.plot) chart.plot.destroy();
    const legend = chart.figure.querySelector(".legend"), place = chart.figure.querySelector(".plot");
    place.replaceChildren();
    place.setAttribute("aria-label", typeof chart.describe === "function" ? chart.describe() : chart.describe);
    chart.figure.querySelector(".key").replaceChildren(...(spec.key || []));
    const hooks = {
      setSelect: [(u) => {
        if (u.select.width < 4) return;
        const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
        u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
        self.zoom(a, b);
      }],
      setCursor: [(u) => {
        if (u.cursor.left == null || u.cursor.left < 0 || !u.cursor.event) return;
        if (spec.hover) return spec.hover(u);
        self.cursor = u.posToVal(u.cursor.left, "x");
        self.tell(self.cursor);
      }],
    };
    if (spec.under) hooks.drawClear = [spec.under];
    if (spec.draw) hooks.draw = [spec.draw];
    chart.plot = new uPlot({
      width: this.width(chart), height: spec.height || 240, padding: spec.padding || [10, 24, 0, 0],
      scales: { ...spec.scales, x: { time: false, range: () => [self.from, self.to] } },
      axes: spec.axes, series: [{ label: "x" }, ...spec.series], bands: spec.bands || [],
      legend: { show: !spec.noLegend, live: true, markers: { width: 2, dash: (u, i) => (u.series[i].dash && u.series[i].dash.length ? "dashed" : "solid") }, mount: (u, table) => legend.replaceChildren(table) },
      cursor: {
        y: false, x: !spec.hover, points: spec.hover ? { show: false } : { size: 7 }, drag: { x: true, y: false, setScale: false, dist: 4 },
        sync: this.sync ? { key: this.sync, setSeries: false } : undefined,
        bind: { dblclick: () => () => { self.zoom(...self.all); return null; } },
      },
      hooks,
    }, spec.data, place);
    if (spec.press) chart.plot.over.addEventListener("click", spec.press);
  }
  redraw() { this.charts.forEach((c) => this.make(c)); }
  zoom(a, b) {
    const [low, high] = this.all, least = (high - low) / 1e4, mid = (a + b) / 2, half = Math.max(b - a, least) / 2;
    this.from = Math.max(low, mid - half); this.to = Math.min(high, mid + half);
    this.charts.forEach((c) => c.plot.setScale("x", { min: this.from, max: this.to }));
  }
  // Other ends of the x axis, all of it shown.
  reach(from, to) { this.all = [from, to]; [this.from, this.to] = this.all; }
  key(e) {
    if (e.altKey || e.ctrlKey || e.metaKey || e.target !== this.panels) return;
    const w = this.to - this.from, way = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    const mid = this.cursor != null && this.cursor >= this.from && this.cursor <= this.to ? this.cursor : (this.from + this.to) / 2;
    if (way && this.step) this.step(way);
    else if (way) {
      this.cursor = Math.min(this.to, Math.max(this.from, (this.cursor ?? this.from) + (way * w) / 100));
      this.charts.forEach((c) => c.plot.setCursor({ left: c.plot.valToPos(this.cursor, "x"), top: 1 }));
      this.tell(this.cursor);
    } else if (e.key === "0") this.zoom(...this.all);
    else if (e.key === "+" || e.key === "=") this.zoom(mid - (mid - this.from) / 2, mid + (this.to - mid) / 2);
    else if (e.key === "-") this.zoom(mid - (mid - this.from) * 2, mid + (this.to - mid) * 2);
    else if (e.key === "Enter" && this.enter) this.enter();
    else return;
    e.preventDefault();
  }
}
