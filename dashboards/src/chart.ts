// One chart: a point over a range, with the band behind it as it was, the envelope of extremes, an older range or other points laid
// over it, and marks. It can be read by mouse, touch and keyboard.

import uPlot from "uplot";
import type { Band, Entry, Marks, PointTrend } from "./api";
import { h, say, svg } from "./dom";
import type { Scene } from "./drawing";
import { placeName } from "./names";
import { dayYear, full, lasting, moment } from "./time";
import { convert, figure, fixed, unitOf, withUnit, type Temperature } from "./units";
import { alarmTitle, entryText, kindText, quantityWords, split } from "./words";

export interface Range {
  from: number;
  to: number;
} // milliseconds

export interface Input {
  trend: PointTrend;
  other: PointTrend | null; // the older range
  beside: PointTrend[]; // points of the same unit, drawn together with it
  column: number; // width of a column, milliseconds
  shift: number; // how much later the older range is drawn, milliseconds
  otherName: string;
  marks: Marks | null;
  range: Range;
  zone: string;
  temperature: Temperature;
}

const SYNC = "trend";
// A mark is hit within this many pixels: half of what a finger needs.
const TOUCH_PX = 22;
const T = 0,
  MEAN = 1,
  MIN = 2,
  MAX = 3,
  OTHER = 4;

// How the points beside the first are drawn, in this order: each can be told by its dashes alone.
export const BESIDE = [
  { ink: "dew", dash: [10, 4], words: "long dashes" },
  { ink: "second", dash: [2, 4], words: "dots" },
  { ink: "slate", dash: [10, 4, 2, 4], words: "dashes and dots" },
] as const;

const nameOf = (point: string): string => `${placeName(split(point).place)}, ${quantityWords(split(point).quantity)}`;

interface Ink {
  ink: string;
  dim: string;
  rule: string;
  edge: string;
  band: string;
  bandline: string;
  moss: string;
  rust: string;
  ochre: string;
  slate: string;
  night: string;
  second: string;
  sheet: string;
  dew: string;
}

function inks(): Ink {
  const style = getComputedStyle(document.documentElement);
  const of = (name: string): string => style.getPropertyValue("--" + name).trim();
  return {
    ink: of("ink"),
    dim: of("dim"),
    rule: of("rule"),
    edge: of("edge"),
    band: of("band"),
    bandline: of("bandline"),
    moss: of("moss"),
    rust: of("rust"),
    ochre: of("ochre"),
    slate: of("slate"),
    night: of("night"),
    second: of("second"),
    sheet: of("sheet"),
    dew: of("dew"),
  };
}

export class Chart {
  readonly element: HTMLElement;
  private readonly title = h("h2");
  private readonly reading = h("p", { class: "reading" });
  private readonly lines = h("p", { class: "legend", hidden: true });
  private readonly plot = h("div", { class: "plot", tabindex: 0, role: "group" });
  private readonly caption = h("p");
  private readonly values = h("tbody");
  private readonly valuesHead = h("tr");
  private readonly scroll = h(
    "div",
    { class: "scroll", tabindex: 0, role: "region" },
    h("table", {}, h("thead", {}, this.valuesHead), this.values),
  );
  private readonly details = h("details", {}, h("summary", {}, "Show table"), this.scroll);
  private readonly mark = h("p", { class: "mark", role: "status", hidden: true });
  private readonly spoken = h("p", { class: "unseen", "aria-live": "polite" });
  private u: uPlot | null = null;
  private data: uPlot.AlignedData = [[], [], [], []];
  private input: Input | null = null;
  private colours = inks();

  // point is the one whose band, extremes and marks are shown.
  constructor(
    readonly point: string,
    private readonly zoom: (range: Range, settled: boolean) => void,
  ) {
    this.element = h(
      "figure",
      { class: "chart" },
      h("div", { class: "chart-head" }, this.title, this.reading),
      this.lines,
      this.plot,
      this.mark,
      h("figcaption", {}, this.caption, this.details),
      this.spoken,
    );
    this.scroll.setAttribute("aria-label", `Values of ${point} as a table`);
    this.plot.addEventListener("keydown", (event) => this.key(event));
    this.details.addEventListener("toggle", () => this.fillTable());
    new ResizeObserver(() => {
      const width = Math.floor(this.plot.clientWidth);
      if (this.u && width > 50 && width !== this.u.width) this.u.setSize({ width, height: this.height() });
    }).observe(this.plot);
  }

  private height(): number {
    return this.plot.clientWidth < 500 ? 190 : 220;
  }
  private get quantity(): string {
    return split(this.point).quantity;
  }

  show(input: Input): void {
    const again =
      this.input !== null &&
      this.input.temperature === input.temperature &&
      (this.input.other === null) === (input.other === null) &&
      this.input.beside.length === input.beside.length &&
      this.u !== null;
    this.input = input;
    const { trend, other, beside, temperature } = input;
    const value = (v: number | null): number | null => (v === null ? null : convert(this.quantity, temperature, v));
    const one: uPlot.AlignedData = [trend.t, trend.mean.map(value), trend.min.map(value), trend.max.map(value)];
    const over: uPlot.AlignedData[] = beside.map((b) => [b.t, b.mean.map(value)]);
    if (other) over.unshift([other.t.map((t) => t + input.shift / 1000), other.mean.map(value)]);
    this.data = over.length ? uPlot.join([one, ...over]) : one;
    say(this.title, `${nameOf(this.point)} in ${unitOf(this.quantity, temperature)}`);
    this.showKey();
    if (again) {
      this.u!.batch(() => {
        this.u!.setData(this.data, false);
        this.u!.setScale("x", { min: input.range.from / 1000, max: input.range.to / 1000 });
      });
    } else this.draw();
    this.describe();
    this.fillTable();
    this.read(null);
  }

  // showKey says which line is which point.
  private showKey(): void {
    const { beside } = this.input!;
    this.lines.hidden = !beside.length;
    this.lines.replaceChildren(
      ...beside.map((b, i) => {
        const { ink, dash } = BESIDE[i]!,
          line = svg("path", { d: "M0 8H38", stroke: `var(--${ink})`, "stroke-width": 2, "stroke-dasharray": dash.join(" ") });
        return h(
          "span",
          {},
          svg("svg", { class: "long", viewBox: "0 0 38 16", "aria-hidden": "true", focusable: "false" }, line),
          nameOf(b.point),
        );
      }),
    );
  }

  // besideWords says the same where there are no colours.
  private besideWords(): string {
    const words = (this.input?.beside ?? []).map((b, i) => `${BESIDE[i]!.words}: ${nameOf(b.point)}`).join("; ");
    return words ? ` ${words[0]!.toUpperCase()}${words.slice(1)}.` : "";
  }

  // redraw takes up changed colours.
  redraw(): void {
    this.colours = inks();
    if (this.input) this.draw();
  }

  // preview moves the range before the values of it have come.
  preview(range: Range): void {
    this.u?.setScale("x", { min: range.from / 1000, max: range.to / 1000 });
  }

  canvas(): { canvas: HTMLCanvasElement; title: string; caption: string } | null {
    return this.u ? { canvas: this.u.ctx.canvas, title: this.title.textContent ?? "", caption: this.captionText() } : null;
  }
  private captionText(): string {
    return (this.caption.textContent ?? "") + this.besideWords();
  }

  // scene is what is drawn, for a drawing of another kind.
  scene(): Scene | null {
    if (!this.u || !this.input) return null;
    const { trend, beside, column, range, zone, temperature } = this.input,
      { min, max } = this.u.scales.y!;
    return {
      title: this.title.textContent ?? "",
      caption: this.captionText(),
      trend,
      beside,
      known: knownStretches(trend, column),
      column,
      wide: column > trend.gap_s * 1000,
      range,
      values: [min!, max!],
      of: (v) => convert(this.quantity, temperature, v),
      zone,
    };
  }

  destroy(): void {
    this.u?.destroy();
    this.u = null;
  }

  private draw(): void {
    this.u?.destroy();
    const input = this.input!,
      c = this.colours,
      font = "13px " + getComputedStyle(document.body).fontFamily;
    const line = (stroke: string, width: number): Partial<uPlot.Series> => ({ stroke, width, spanGaps: false, points: { show: false } });
    const series: uPlot.Series[] = [
      {},
      { ...line(c.ink, 1.8), points: { show: (u, _s, first, last) => last - first < 40 && u.width > 0, size: 5, fill: c.ink } },
      line("transparent", 0),
      line("transparent", 0),
    ];
    if (input.other) series.push({ ...line(c.second, 1.8), dash: [7, 4] });
    input.beside.forEach((_, i) => series.push({ ...line(c[BESIDE[i]!.ink], 1.8), dash: [...BESIDE[i]!.dash] }));
    this.u = new uPlot(
      {
        width: Math.max(200, Math.floor(this.plot.clientWidth)),
        height: this.height(),
        padding: [8, 22, 0, 0],
        legend: { show: false },
        tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1e3), input.zone),
        cursor: {
          sync: { key: SYNC, setSeries: false },
          drag: { x: true, y: false, setScale: false, dist: 6 },
          points: { show: false },
          y: false,
        },
        scales: {
          x: { time: true, auto: false, min: input.range.from / 1000, max: input.range.to / 1000 },
          y: { range: (_u, min, max) => this.yRange(min, max) },
        },
        series,
        axes: [
          {
            stroke: c.dim,
            font,
            grid: { stroke: c.rule, width: 1 },
            ticks: { stroke: c.edge, width: 1, size: 5 },
            space: 74,
            size: 44,
            values: (_u, splits, _axis, _space, increment) => timeLabels(input.zone, splits, increment),
          },
          {
            stroke: c.dim,
            font,
            grid: { stroke: c.rule, width: 1 },
            ticks: { show: false },
            size: (u, values) => labelSpace(u.ctx, font, values),
            space: 34,
            values: (_u, splits) => splits.map((v) => String(Math.round(v * 100) / 100).replace("-", "−")),
          },
        ],
        hooks: {
          drawClear: [(u) => this.background(u)],
          draw: [(u) => this.foreground(u)],
          setCursor: [(u) => this.read(u)],
          setSelect: [(u) => this.selected(u)],
          ready: [(u) => this.gestures(u)],
        },
      },
      this.data,
      this.plot,
    );
    for (const canvas of this.plot.querySelectorAll("canvas")) canvas.setAttribute("aria-hidden", "true");
  }

  // yRange holds the values and those limits that are near them.
  private yRange(min: number | null, max: number | null): [number, number] {
    if (min === null || max === null) return [0, 1];
    const low = min,
      high = max,
      near = Math.max((high - low) * 0.6, this.quantity === "relative-humidity" ? 4 : 0.3);
    for (const b of this.input!.trend.bands) {
      for (const v of b.limits ? [b.limits["critical-low"], b.limits.low, b.limits.high, b.limits["critical-high"]] : []) {
        const shown = v === null ? NaN : convert(this.quantity, this.input!.temperature, v);
        if (shown >= low - near && shown <= high + near) {
          min = Math.min(min, shown);
          max = Math.max(max, shown);
        }
      }
    }
    const pad = Math.max((max - min) * 0.07, 1e-3 * Math.abs(max), 1e-3);
    return [min - pad, max + pad];
  }

  private background(u: uPlot): void {
    const { ctx, bbox } = u,
      input = this.input!,
      c = this.colours;
    const x = (ms: number): number => Math.min(bbox.left + bbox.width, Math.max(bbox.left, u.valToPos(ms / 1000, "x", true)));
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.fillStyle = c.sheet;
    ctx.fillRect(bbox.left, bbox.top, bbox.width, bbox.height);
    if (input.marks?.light.length) {
      // shade everything, then let the light hours in
      ctx.fillStyle = c.night;
      ctx.fillRect(bbox.left, bbox.top, bbox.width, bbox.height);
      ctx.fillStyle = c.sheet;
      for (const l of input.marks.light)
        ctx.fillRect(x(Date.parse(l.from)), bbox.top, x(Date.parse(l.to)) - x(Date.parse(l.from)), bbox.height);
    }
    const known = knownStretches(input.trend, input.column);
    for (const b of input.trend.bands) {
      for (const k of known) this.band(u, b, Math.max(Date.parse(b.from), k.from), Math.min(Date.parse(b.to), k.to), x);
    }
    this.envelope(u, x);
    ctx.restore();
  }

  // envelope fills from the lowest to the highest, solid, and what lies beyond the band in force in colour: an hour of heat in a
  // year is a column of colour that cannot be overlooked.
  private envelope(u: uPlot, x: (ms: number) => number): void {
    const { ctx, bbox } = u,
      input = this.input!,
      c = this.colours,
      p = devicePixelRatio,
      wide = input.column > input.trend.gap_s * 1000;
    const y = (v: number): number => u.valToPos(convert(this.quantity, input.temperature, v), "y", true);
    const shape = new Path2D();
    const { t, min, max } = input.trend;
    for (let i = 0; i < t.length;) {
      if (max[i] === null) {
        i++;
        continue;
      }
      let end = i;
      while (end + 1 < t.length && max[end + 1] !== null) end++;
      if (wide) {
        // a column is a column
        for (; i <= end; i++) {
          const left = x(t[i]! * 1000 - input.column / 2),
            width = Math.max(1.5 * p, x(t[i]! * 1000 + input.column / 2) - left),
            top = y(max[i]!);
          shape.rect(left, top, width, Math.max(1.5 * p, y(min[i]!) - top));
        }
        continue;
      }
      shape.moveTo(x(t[i]! * 1000), y(max[i]!));
      for (let k = i; k <= end; k++) shape.lineTo(x(t[k]! * 1000), y(max[k]!));
      for (let k = end; k >= i; k--) shape.lineTo(x(t[k]! * 1000), y(min[k]!));
      shape.closePath();
      i = end + 1;
    }
    ctx.globalAlpha = 0.35;
    ctx.fillStyle = c.ink;
    ctx.fill(shape);
    ctx.globalAlpha = 1;
    const paint = (left: number, width: number, top: number, bottom: number, colour: string): void => {
      if (width <= 0 || bottom <= top) return;
      ctx.save();
      ctx.beginPath();
      ctx.rect(left, top, width, bottom - top);
      ctx.clip();
      ctx.fillStyle = ctx.strokeStyle = colour;
      ctx.lineWidth = 3 * p;
      ctx.fill(shape);
      if (!wide) ctx.stroke(shape); // where a column holds one reading, the envelope has no width
      ctx.restore();
    };
    const floor = bbox.top + bbox.height;
    for (const b of input.trend.bands) {
      if (!b.limits) continue;
      const left = x(Date.parse(b.from)),
        width = x(Date.parse(b.to)) - left,
        { low, high, "critical-low": lowest, "critical-high": highest } = b.limits;
      const above = high ?? highest,
        below = low ?? lowest;
      if (above !== null) paint(left, width, bbox.top, Math.min(floor, y(above)), c.ochre);
      if (highest !== null) paint(left, width, bbox.top, Math.min(floor, y(highest)), c.rust);
      if (below !== null) paint(left, width, Math.max(bbox.top, y(below)), floor, c.slate);
    }
  }

  private band(u: uPlot, b: Band, from: number, to: number, x: (ms: number) => number): void {
    if (!b.limits || to <= from) return;
    const { ctx, bbox } = u,
      c = this.colours,
      left = x(from),
      width = x(to) - left;
    if (width <= 0) return;
    const y = (v: number): number =>
      Math.min(
        bbox.top + bbox.height + 4,
        Math.max(bbox.top - 4, u.valToPos(convert(this.quantity, this.input!.temperature, v), "y", true)),
      );
    const low = b.limits.low ?? b.limits["critical-low"],
      high = b.limits.high ?? b.limits["critical-high"];
    const top = high === null ? bbox.top : y(high),
      bottom = low === null ? bbox.top + bbox.height : y(low);
    ctx.globalAlpha = 0.75;
    ctx.fillStyle = c.band;
    ctx.fillRect(left, top, width, bottom - top);
    ctx.globalAlpha = 1;
    const stroke = (v: number, colour: string, dash: number[]): void => {
      ctx.strokeStyle = colour;
      ctx.lineWidth = devicePixelRatio * 1.2;
      ctx.setLineDash(dash.map((d) => d * devicePixelRatio));
      ctx.beginPath();
      ctx.moveTo(left, y(v));
      ctx.lineTo(left + width, y(v));
      ctx.stroke();
    };
    for (const v of [b.limits.low, b.limits.high]) if (v !== null) stroke(v, c.bandline, []);
    for (const v of [b.limits["critical-low"], b.limits["critical-high"]]) if (v !== null) stroke(v, c.rust, [5, 4]);
    ctx.setLineDash([]);
  }

  // marked is what happened near a place of the plot, and where its mark is drawn: signs along the top, alarms along the bottom.
  private marked(clientX: number, clientY: number): string {
    const u = this.u!,
      marks = this.input?.marks,
      box = u.over.getBoundingClientRect(),
      x = clientX - box.left,
      y = clientY - box.top,
      place = split(this.point).place,
      zone = this.input!.zone;
    if (!marks) return "";
    const near: { distance: number; text: string }[] = [];
    const pos = (ms: number): number => u.valToPos(ms / 1000, "x");
    if (y < TOUCH_PX * 1.5) {
      for (const e of marks.events) {
        if (e.place && e.place !== place) continue;
        const words = entryText({ ...e, seq: 0, run: "" } as Entry, this.input!.temperature);
        near.push({
          distance: Math.abs(pos(Date.parse(e.at)) - x),
          text: [`${full(zone, Date.parse(e.at))}: ${kindText(e.kind)}`, words, e.by ? `by ${e.by}` : ""].filter(Boolean).join(", "),
        });
      }
    }
    if (y > box.height - TOUCH_PX * 1.5) {
      for (const a of marks.alarms.filter((m) => m.alarm.startsWith(this.point + "/"))) {
        const from = pos(Date.parse(a.since)),
          to = a.cleared ? pos(Date.parse(a.cleared)) : box.width;
        const until = a.cleared ? `to ${moment(zone, Date.parse(a.cleared))}` : "still active";
        near.push({
          distance: Math.max(from - x, x - to, 0),
          text: `${alarmTitle(a.alarm)}, ${a.priority}, ${full(zone, Date.parse(a.since))} ${until}`,
        });
      }
    }
    return near.filter((n) => n.distance <= TOUCH_PX).sort((a, b) => a.distance - b.distance)[0]?.text ?? "";
  }

  // tapped says what the mark under a tap is.
  private tapped(clientX: number, clientY: number): void {
    say(this.mark, this.marked(clientX, clientY));
    this.mark.hidden = !this.mark.textContent;
  }

  // foreground draws what happened: signs along the top edge, alarms as bars along the bottom edge.
  private foreground(u: uPlot): void {
    const marks = this.input!.marks;
    if (!marks) return;
    const { ctx, bbox } = u,
      c = this.colours,
      p = devicePixelRatio,
      place = split(this.point).place;
    const inside = (ms: number): boolean => ms >= u.scales.x!.min! * 1000 && ms <= u.scales.x!.max! * 1000;
    const x = (ms: number): number => Math.min(bbox.left + bbox.width, Math.max(bbox.left, u.valToPos(ms / 1000, "x", true)));
    ctx.save();
    const mistings = marks.events.filter((e) => e.kind === "misting" && e.place === place && inside(Date.parse(e.at)));
    const dense = mistings.length > bbox.width / p / 12;
    for (const e of marks.events) {
      const at = Date.parse(e.at);
      if (!inside(at) || (e.place && e.place !== place) || (e.kind === "misting" && dense)) continue;
      const left = x(at),
        top = bbox.top;
      ctx.lineWidth = p;
      ctx.strokeStyle = ctx.fillStyle = isAboutAnimals(e.kind) ? c.second : c.dew;
      if (e.kind !== "misting") {
        ctx.setLineDash([2 * p, 3 * p]);
        ctx.beginPath();
        ctx.moveTo(left, top);
        ctx.lineTo(left, top + bbox.height);
        ctx.stroke();
        ctx.setLineDash([]);
      }
      sign(ctx, e.kind, left, top, p);
    }
    const alarms = marks.alarms.filter((a) => a.alarm.startsWith(this.point + "/"));
    alarms.forEach((a) => {
      const from = Date.parse(a.since),
        to = a.cleared ? Date.parse(a.cleared) : this.input!.range.to;
      if (to < u.scales.x!.min! * 1000 || from > u.scales.x!.max! * 1000) return;
      const critical = a.priority === "critical",
        left = x(from),
        width = Math.max(2 * p, x(to) - left),
        top = bbox.top + bbox.height - (critical ? 12 : 6) * p;
      ctx.fillStyle = critical ? c.rust : c.ochre;
      ctx.fillRect(left, top, width, 5 * p);
    });
    ctx.restore();
  }

  private selected(u: uPlot): void {
    if (u.select.width < 6) return;
    const range = { from: u.posToVal(u.select.left, "x") * 1000, to: u.posToVal(u.select.left + u.select.width, "x") * 1000 };
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    this.zoom(range, true);
  }

  private range(): Range {
    return { from: this.u!.scales.x!.min! * 1000, to: this.u!.scales.x!.max! * 1000 };
  }

  // scaled returns the shown range, made longer by a factor around a share of its width, and moved by a share.
  private scaled(factor: number, around: number, move = 0): Range {
    const { from, to } = this.range(),
      width = to - from;
    const at = from + width * around,
      moved = width * move;
    return { from: at - (at - from) * factor + moved, to: at + (to - at) * factor + moved };
  }

  private gestures(u: uPlot): void {
    const over = u.over;
    over.addEventListener(
      "wheel",
      (event) => {
        const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
        // A plain wheel belongs to the page until the chart has been clicked or focused.
        if (!sideways && !event.ctrlKey && !event.metaKey && !this.plot.contains(document.activeElement)) return;
        event.preventDefault();
        const around = (event.clientX - over.getBoundingClientRect().left) / over.clientWidth;
        const lines = event.deltaMode === WheelEvent.DOM_DELTA_LINE ? 16 : 1;
        const range = sideways
          ? this.scaled(1, 0.5, (event.deltaX * lines) / over.clientWidth)
          : this.scaled(Math.exp(event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.002)), around);
        this.preview(range);
        this.zoom(range, false);
      },
      { passive: false },
    );
    over.addEventListener("click", (event) => this.tapped(event.clientX, event.clientY));
    over.addEventListener("dblclick", () => this.zoom(this.scaled(3, 0.5), true));
    const fingers = new Map<number, PointerEvent>();
    let begun: { range: Range; a: number; b: number } | null = null;
    const spread = (): { a: number; b: number } => {
      const left = over.getBoundingClientRect().left,
        xs = [...fingers.values()].map((f) => (f.clientX - left) / over.clientWidth).sort((m, n) => m - n);
      return { a: xs[0]!, b: Math.max(xs[1]!, xs[0]! + 0.02) };
    };
    over.addEventListener("pointerdown", (event) => {
      this.plot.focus({ preventScroll: true });
      if (event.pointerType !== "touch") return;
      fingers.set(event.pointerId, event);
      if (fingers.size === 2) begun = { range: this.range(), ...spread() };
      if (fingers.size === 1) this.pointAt(event.clientX);
    });
    over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return;
      fingers.set(event.pointerId, event);
      if (fingers.size === 1) this.pointAt(event.clientX);
      if (fingers.size !== 2 || !begun) return;
      const now = spread(),
        width = begun.range.to - begun.range.from;
      const timeA = begun.range.from + width * begun.a,
        timeB = begun.range.from + width * begun.b;
      const perShare = (timeB - timeA) / (now.b - now.a),
        from = timeA - perShare * now.a;
      const range = { from, to: from + perShare };
      this.preview(range);
      this.zoom(range, false);
    });
    const lift = (event: PointerEvent): void => {
      fingers.delete(event.pointerId);
      if (fingers.size < 2) begun = null;
    };
    over.addEventListener("pointerup", lift);
    over.addEventListener("pointercancel", lift);
  }

  private pointAt(clientX: number): void {
    const box = this.u!.over.getBoundingClientRect();
    this.u!.setCursor({ left: Math.min(box.width, Math.max(0, clientX - box.left)), top: 10 });
  }

  private key(event: KeyboardEvent): void {
    const u = this.u;
    if (!u || event.target !== this.plot || event.altKey || event.ctrlKey || event.metaKey) return;
    const move = (range: Range): void => {
      this.preview(range);
      this.zoom(range, true);
    };
    const forward = event.key === "ArrowRight" ? 1 : -1;
    switch (event.key) {
      case "ArrowLeft":
      case "ArrowRight":
        if (event.shiftKey) move(this.scaled(1, 0.5, 0.25 * forward));
        else this.step(forward);
        break;
      case "Home":
        this.step(-Infinity);
        break;
      case "End":
        this.step(Infinity);
        break;
      case "+":
      case "=":
        move(this.scaled(0.5, this.cursorShare()));
        break;
      case "-":
      case "_":
        move(this.scaled(2, this.cursorShare()));
        break;
      default:
        return;
    }
    event.preventDefault();
  }

  private cursorShare(): number {
    const left = this.u!.cursor.left ?? -1;
    return left < 0 ? 0.5 : left / this.u!.over.clientWidth;
  }

  // step moves the cursor to the next known value.
  private step(by: number): void {
    const u = this.u!,
      means = this.data[MEAN] as (number | null | undefined)[],
      known = means.flatMap((v, i) => (v === null || v === undefined ? [] : [i]));
    if (!known.length) return;
    const at = u.cursor.idx ?? (by > 0 ? -1 : means.length),
      here = known.findIndex((i) => i >= at);
    let next: number;
    if (by === Infinity) next = known.length - 1;
    else if (by === -Infinity) next = 0;
    else {
      const pace = Math.max(1, Math.round(known.length / 120));
      next = by > 0 ? (here < 0 ? known.length - 1 : known[here] === at ? here + pace : here) : (here < 0 ? known.length : here) - pace;
    }
    const index = known[Math.min(known.length - 1, Math.max(0, next))]!;
    u.setCursor({ left: u.valToPos(this.data[T]![index]!, "x"), top: 10 });
    say(this.spoken, this.reading.textContent ?? "");
  }

  // read says the values under the cursor; without one, the last.
  private read(u: uPlot | null): void {
    const input = this.input!,
      means = this.data[MEAN] as (number | null | undefined)[],
      unit = unitOf(this.quantity, input.temperature);
    let index = u && (u.cursor.left ?? -1) >= 0 ? (u.cursor.idx ?? null) : null;
    const under = index !== null;
    if (index === null) for (let i = means.length - 1; i >= 0 && index === null; i--) if (typeof means[i] === "number") index = i;
    if (index === null) {
      say(this.reading, "nothing was seen in this range");
      return;
    }
    const digits = this.quantity === "vapour-pressure-deficit" ? 2 : 1,
      text = (v: number): string => fixed(v, digits).replace("-", "−");
    // With other lines laid over, a column may hold a value of one line only: take the nearest one of the others.
    const reach = Math.max(1, this.data.length - OTHER);
    const near = (s: number): number | null => {
      const values = this.data[s] as (number | null | undefined)[];
      for (let by = 0; by <= reach; by++) for (const i of [index! - by, index! + by]) if (typeof values[i] === "number") return values[i]!;
      return null;
    };
    const mean = near(MEAN),
      min = near(MIN),
      max = near(MAX),
      ms = this.data[T]![index]! * 1000;
    const when = input.column > 20 * 3600e3 ? dayYear(input.zone, ms) : full(input.zone, ms);
    const parts = [`${when}: ${mean === null ? "not known" : `${text(mean)} ${unit}`}`];
    if (min !== null && max !== null && text(min) !== text(max)) parts.push(`from ${text(min)} to ${text(max)}`);
    if (input.other && this.data[OTHER]) {
      const older = near(OTHER);
      parts.push(`${input.otherName}: ${older === null ? "not known" : `${text(older)} ${unit}`}`);
    }
    input.beside.forEach((b, i) => {
      const value = near(OTHER + (input.other ? 1 : 0) + i);
      parts.push(`${nameOf(b.point)}: ${value === null ? "not known" : `${text(value)} ${unit}`}`);
    });
    say(this.reading, (under ? "" : "last, ") + parts.join(" · "));
  }

  private describe(): void {
    const { trend, range, zone, temperature } = this.input!,
      q = this.quantity;
    const { lowest, highest } = trend,
      known = knownStretches(trend, this.input!.column);
    let text = "Nothing was seen in this range.";
    if (lowest && highest) {
      text =
        `Lowest ${withUnit(q, temperature, lowest.value)} on ${moment(zone, Date.parse(lowest.at))}, ` +
        `highest ${withUnit(q, temperature, highest.value)} on ${moment(zone, Date.parse(highest.at))}`;
      const slack = Math.max(trend.gap_s * 1000, this.input!.column),
        first = known[0]!.from > range.from + slack,
        last = known.at(-1)!.to < range.to - slack;
      const gaps = known.length - 1 + Number(first) + Number(last),
        seen = known.reduce((sum, k) => sum + Math.min(k.to, range.to) - Math.max(k.from, range.from), 0);
      const share = 100 - (100 * seen) / (range.to - range.from),
        percent = share < 0.05 ? "less than 0.1" : share.toFixed(1);
      if (gaps) text += `; ${gaps === 1 ? "one gap" : `${gaps} gaps`} in which nothing is known, ${percent} % of the range.`;
      else text += this.input!.column > trend.gap_s * 1000 ? "." : "; no gap."; // a wide column may hide one
    }
    say(this.caption, text);
    this.plot.setAttribute(
      "aria-label",
      `Chart of ${this.title.textContent}, ${full(zone, range.from)} to ${full(zone, range.to)}. ${text}${this.besideWords()} ` +
        "Arrow keys read values, plus and minus zoom, shift with arrow keys moves the range.",
    );
  }

  // fillTable writes at most 48 rows, each the mean and the extremes of its stretch.
  private fillTable(): void {
    if (!this.details.open || !this.input) return;
    const { trend, beside, zone, temperature } = this.input,
      q = this.quantity,
      unit = unitOf(q, temperature);
    this.valuesHead.replaceChildren(
      ...["time", `mean, ${unit}`, `lowest, ${unit}`, `highest, ${unit}`, ...beside.map((b) => `${nameOf(b.point)}, mean, ${unit}`)].map(
        (t) => h("th", { scope: "col" }, t),
      ),
    );
    const each = Math.max(1, Math.ceil(trend.t.length / 48)),
      rows: HTMLElement[] = [];
    for (let i = 0; i < trend.t.length; i += each) {
      const part = <V>(values: V[]): NonNullable<V>[] =>
        values.slice(i, i + each).filter((v): v is NonNullable<V> => v !== null && v !== undefined);
      const means = part(trend.mean),
        cells = means.length
          ? [means.reduce((a, b) => a + b, 0) / means.length, Math.min(...part(trend.min)), Math.max(...part(trend.max))].map((v) =>
              figure(q, temperature, v),
            )
          : ["not known", "", ""];
      for (const b of beside) {
        const end = trend.t[i + each] ?? Infinity,
          of = b.mean.filter((v, k): v is number => typeof v === "number" && b.t[k]! >= trend.t[i]! && b.t[k]! < end);
        cells.push(of.length ? figure(q, temperature, of.reduce((sum, v) => sum + v, 0) / of.length) : "not known");
      }
      rows.push(
        h("tr", {}, h("th", { scope: "row" }, full(zone, trend.t[i]! * 1000)), ...cells.map((text) => h("td", { class: "number" }, text))),
      );
    }
    this.values.replaceChildren(...rows);
  }
}

// isAboutAnimals reports whether an event changes which animals live in a place, or at which stage.
const isAboutAnimals = (kind: string): boolean => kind === "stage.set" || kind.startsWith("cohort.");

// knownStretches returns where something was recorded: from the first value to the last before each gap.
function knownStretches(trend: PointTrend, column: number): Range[] {
  const stretches: Range[] = [];
  let open: Range | null = null;
  trend.t.forEach((t, i) => {
    if (trend.mean[i] === null || trend.mean[i] === undefined) {
      open = null;
      return;
    }
    if (!open) stretches.push((open = { from: t * 1000 - column / 2, to: 0 }));
    open.to = t * 1000 + column / 2;
  });
  return stretches;
}

// sign draws the sign of an event: a drop, a diamond, a leaf of paper, a bar.
function sign(ctx: CanvasRenderingContext2D, kind: string, x: number, y: number, p: number): void {
  ctx.beginPath();
  switch (isAboutAnimals(kind) ? "animals" : kind) {
    case "misting":
      ctx.moveTo(x, y);
      ctx.quadraticCurveTo(x + 6 * p, y + 8 * p, x, y + 10 * p);
      ctx.quadraticCurveTo(x - 6 * p, y + 8 * p, x, y);
      break;
    case "animals":
      ctx.moveTo(x, y);
      ctx.lineTo(x + 6 * p, y + 6 * p);
      ctx.lineTo(x, y + 12 * p);
      ctx.lineTo(x - 6 * p, y + 6 * p);
      break;
    case "note":
      ctx.rect(x, y, 9 * p, 11 * p);
      break;
    default:
      ctx.rect(x - 1.5 * p, y, 3 * p, 12 * p);
  }
  ctx.closePath();
  ctx.fill();
}

// timeLabels writes hours by the clock, and the day where it begins, in the words of the rest of the page.
function timeLabels(zone: string, splits: number[], increment: number): string[] {
  const date = (s: number): Date => uPlot.tzDate(new Date(s * 1000), zone),
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const two = (n: number): string => String(n).padStart(2, "0");
  let last = "";
  return splits.map((s) => {
    const d = date(s),
      today = `${d.getDate()} ${months[d.getMonth()]}`,
      first = today !== last;
    last = today;
    if (increment >= 28 * 86400) return `${months[d.getMonth()]}\n${d.getFullYear()}`;
    if (increment >= 86400) return today;
    const clock = `${two(d.getHours())}:${two(d.getMinutes())}${increment < 60 ? ":" + two(d.getSeconds()) : ""}`;
    return first ? `${clock}\n${today}` : clock;
  });
}

// labelSpace is the width that the labels of an axis need, so that none is cut.
function labelSpace(ctx: CanvasRenderingContext2D, font: string, values: string[] | null): number {
  ctx.save();
  ctx.font = font;
  const widest = Math.max(0, ...(values ?? []).map((v) => ctx.measureText(v).width));
  ctx.restore();
  return Math.max(40, Math.ceil(widest) + 14);
}

export const rangeWords = (zone: string, r: Range): string =>
  `${full(zone, r.from)} to ${full(zone, r.to)} (${lasting((r.to - r.from) / 1000)})`;
