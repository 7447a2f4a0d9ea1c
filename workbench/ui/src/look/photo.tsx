// The photo: large, free to zoom down to single pixels, with what is laid over it and the marks on it.
import { effect, signal } from "@preact/signals";
import type { JSX } from "preact";
import { useEffect, useMemo, useRef } from "preact/hooks";
import { theme } from "../state";
import type { Point } from "../types";
import { fitted, held, type Lie, shown, toPane, toPhoto, zoomed } from "./camera";
import { isClosed, kindOf, marksOf } from "./marking";
import { MarksLayer } from "./marks";
import type { LookModel } from "./model";
import type { Overlay } from "./pictures";

const NEAR_MOUSE = 13;
const NEAR_FINGER = 24;
const STILL = 4;

export class Pane {
  readonly size = signal<Point>([1, 1]);
  readonly lie = signal<Lie>({ s: 1, x: 0, y: 0 });
  readonly drawn = signal<Point[]>([]);
  private fresh = true;

  constructor(readonly model: LookModel) {}

  get photoSize(): Point {
    const photo = this.model.photo.value;
    return photo ? [photo.width, photo.height] : [4, 3];
  }

  resize(size: Point): void {
    this.size.value = size;
    this.lie.value = this.fresh ? fitted(size, this.photoSize) : held(this.lie.value, size, this.photoSize);
  }

  fit(): void {
    this.fresh = true;
    this.lie.value = fitted(this.size.value, this.photoSize);
  }

  zoom(by: number, about: Point): void {
    this.fresh = false;
    this.lie.value = zoomed(this.lie.value, by, about, this.size.value, this.photoSize);
  }

  zoomAtPointer(by: number): void {
    const at = this.model.pointer.value;
    this.zoom(by, at ? toPane(this.lie.value, at) : [this.size.value[0] / 2, this.size.value[1] / 2]);
  }

  pan(by: Point): void {
    this.fresh = false;
    const { s, x, y } = this.lie.value;
    this.lie.value = held({ s, x: x + by[0], y: y + by[1] }, this.size.value, this.photoSize);
  }

  showMarks(): void {
    const one = this.model.finding.value;
    const points = one ? (kindOf(one)?.marks ?? []).flatMap((rule) => marksOf(one, rule.name)) : [];
    if (!points.length) return this.fit();
    this.fresh = false;
    this.lie.value = shown(points, this.size.value, this.photoSize);
  }

  /** Keeps a point in sight while it is moved by keys. */
  follow(at: Point): void {
    const [x, y] = toPane(this.lie.value, at);
    const [w, h] = this.size.value;
    const over = (value: number, room: number): number => (value < 30 ? 30 - value : value > room - 30 ? room - 30 - value : 0);
    const by: Point = [over(x, w), over(y, h)];
    if (by[0] || by[1]) this.pan(by);
  }
}

export function Photo({ model, pane }: { model: LookModel; pane: Pane }): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const touch = useMemo(() => new Touch(model, pane), [model]);

  useEffect(() => {
    const place = box.current!;
    const seen = new ResizeObserver(() => pane.resize([place.clientWidth, place.clientHeight]));
    seen.observe(place);
    const wheel = (event: WheelEvent): void => {
      event.preventDefault();
      const area = place.getBoundingClientRect();
      pane.zoom(Math.exp(-event.deltaY * (event.deltaMode === 1 ? 0.05 : 0.0016)), [event.clientX - area.left, event.clientY - area.top]);
    };
    place.addEventListener("wheel", wheel, { passive: false });
    return () => {
      seen.disconnect();
      place.removeEventListener("wheel", wheel);
    };
  }, [pane]);

  useEffect(() => {
    let asked = 0;
    const end = effect(() => {
      const scene: Scene = {
        photo: model.photo.value, lie: pane.lie.value, size: pane.size.value, dark: theme.value === "dark",
        mask: model.hatched.value ? model.mask.value : null,
        over: model.laid.value === "deviation" ? model.deviation.value : model.laid.value === "uncertainty" ? model.uncertainty.value : null,
      };
      cancelAnimationFrame(asked);
      asked = requestAnimationFrame(() => canvas.current && draw(canvas.current, scene));
    });
    const photo = effect(() => {
      if (model.photo.value) pane.resize(pane.size.peek());
    });
    return () => {
      end();
      photo();
      cancelAnimationFrame(asked);
    };
  }, [model, pane]);

  const placing = model.placing.value !== null;
  return (
    <div
      ref={box}
      class={`photo ${placing ? "placing" : ""}`}
      tabIndex={0}
      role="application"
      aria-label="Photo. Arrow keys move the cross or the mark in hand; Enter places a mark."
      aria-keyshortcuts="ArrowUp ArrowDown ArrowLeft ArrowRight Enter Delete"
      onPointerDown={(e) => touch.down(e)}
      onPointerMove={(e) => touch.move(e)}
      onPointerUp={(e) => touch.up(e)}
      onPointerCancel={(e) => touch.cancel(e)}
      onPointerLeave={() => touch.leave()}
      onContextMenu={(e) => e.preventDefault()}
    >
      <canvas ref={canvas} aria-hidden="true" />
      <MarksLayer model={model} pane={pane} />
    </div>
  );
}

interface Scene { photo: ImageBitmap | null; lie: Lie; size: Point; dark: boolean; mask: Overlay | null; over: Overlay | null }

let hatchSheet: HTMLCanvasElement | null = null;
let tile: HTMLCanvasElement | null = null;

function draw(canvas: HTMLCanvasElement, scene: Scene): void {
  const ratio = devicePixelRatio || 1;
  const [w, h] = scene.size;
  const [pw, ph] = [Math.round(w * ratio), Math.round(h * ratio)];
  if (canvas.width !== pw || canvas.height !== ph) {
    canvas.width = pw;
    canvas.height = ph;
  }
  const context = canvas.getContext("2d", { alpha: false })!;
  context.setTransform(1, 0, 0, 1, 0, 0);
  context.fillStyle = scene.dark ? "#0f0e0d" : "#2b2825";
  context.fillRect(0, 0, pw, ph);
  if (!scene.photo) return;
  const { s, x, y } = scene.lie;
  context.setTransform(s * ratio, 0, 0, s * ratio, x * ratio, y * ratio);
  context.imageSmoothingEnabled = s < 4;
  context.drawImage(scene.photo, 0, 0);
  if (scene.over) context.drawImage(scene.over.canvas, scene.over.u, scene.over.v);
  if (scene.mask) {
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.drawImage(hatching(scene.mask, scene.lie, pw, ph, ratio), 0, 0);
  }
}

/** Hatching where nothing trustworthy can be measured: lines of the screen's width at every zoom. */
function hatching(mask: Overlay, lie: Lie, pw: number, ph: number, ratio: number): HTMLCanvasElement {
  hatchSheet ??= document.createElement("canvas");
  const sheet = hatchSheet;
  if (sheet.width !== pw || sheet.height !== ph) {
    sheet.width = pw;
    sheet.height = ph;
  }
  const context = sheet.getContext("2d")!;
  context.setTransform(1, 0, 0, 1, 0, 0);
  context.globalCompositeOperation = "copy";
  context.setTransform(lie.s * ratio, 0, 0, lie.s * ratio, lie.x * ratio, lie.y * ratio);
  context.imageSmoothingEnabled = false;
  context.drawImage(mask.canvas, 0, 0);
  context.setTransform(1, 0, 0, 1, 0, 0);
  context.globalCompositeOperation = "source-in";
  context.fillStyle = context.createPattern((tile ??= hatchTile()), "repeat")!;
  context.fillRect(0, 0, pw, ph);
  return sheet;
}

function hatchTile(): HTMLCanvasElement {
  const made = document.createElement("canvas");
  made.width = made.height = 9;
  const context = made.getContext("2d")!;
  for (const [colour, shift] of [["rgb(0 0 0 / 0.4)", 1], ["rgb(240 234 224 / 0.42)", 0]] as const) {
    context.strokeStyle = colour;
    context.lineWidth = 1;
    context.beginPath();
    for (const start of [-9, 0, 9]) {
      context.moveTo(start + shift - 1, 10);
      context.lineTo(start + shift + 10, -1);
    }
    context.stroke();
  }
  return made;
}

/** What fingers and mouse do on the photo. */
class Touch {
  private on = new Map<number, Point>();
  private doing: "nothing" | "drawing" | "moving" | "panning" | "pinching" = "nothing";
  private last: Point = [0, 0];
  private lastAt = 0;
  private speed = 0;
  private travelled = 0;

  constructor(readonly model: LookModel, readonly pane: Pane) {}

  private at(event: PointerEvent): Point {
    const area = (event.currentTarget as HTMLElement).getBoundingClientRect();
    return [event.clientX - area.left, event.clientY - area.top];
  }

  down(event: PointerEvent): void {
    const at = this.at(event);
    (event.currentTarget as HTMLElement).setPointerCapture(event.pointerId);
    (event.currentTarget as HTMLElement).focus({ preventScroll: true });
    this.on.set(event.pointerId, at);
    [this.last, this.travelled, this.lastAt, this.speed] = [at, 0, event.timeStamp, 0];
    if (this.on.size === 2) {
      this.giveUp();
      this.doing = "pinching";
      return;
    }
    if (this.on.size > 2) return;
    this.model.pointer.value = toPhoto(this.pane.lie.value, at);
    if (event.button !== 0 || event.shiftKey) this.doing = "panning";
    else if (this.grab(at, event.pointerType === "mouse" ? NEAR_MOUSE : NEAR_FINGER)) this.doing = "moving";
    else if (this.model.placing.value) {
      this.doing = "drawing";
      this.pane.drawn.value = [toPhoto(this.pane.lie.value, at)];
    } else this.doing = "panning";
  }

  /** Takes the nearest mark in hand; a mark of another finding chooses that finding first. */
  private grab(at: Point, near: number): boolean {
    let best = near;
    let found: { id: string; name: string; index: number } | null = null;
    for (const one of this.model.findings.value) {
      const own = one.id === this.model.chosen.value;
      for (const rule of kindOf(one)?.marks ?? []) {
        marksOf(one, rule.name).forEach((mark, index) => {
          const [x, y] = toPane(this.pane.lie.value, mark);
          const away = Math.hypot(x - at[0], y - at[1]) + (own ? 0 : 6);
          if (away < best) [best, found] = [away, { id: one.id, name: rule.name, index }];
        });
      }
    }
    const mark = found as { id: string; name: string; index: number } | null;
    if (!mark || (this.model.placing.value && mark.id !== this.model.chosen.value)) return false;
    if (mark.id !== this.model.chosen.value) this.model.choose(mark.id);
    this.model.held.value = { name: mark.name, index: mark.index };
    return true;
  }

  move(event: PointerEvent): void {
    const at = this.at(event);
    if (!this.on.has(event.pointerId)) {
      this.model.pointer.value = toPhoto(this.pane.lie.value, at);
      return;
    }
    if (this.doing === "pinching") return this.pinch(event.pointerId, at);
    const by: Point = [at[0] - this.last[0], at[1] - this.last[1]];
    const length = Math.hypot(...by);
    this.travelled += length;
    const passed = Math.max(event.timeStamp - this.lastAt, 1);
    this.speed = 0.7 * this.speed + 0.3 * (length / passed);
    [this.last, this.lastAt] = [at, event.timeStamp];
    this.on.set(event.pointerId, at);
    const { s } = this.pane.lie.value;
    if (this.doing === "panning") this.pane.pan(by);
    else if (this.doing === "moving") {
      if (this.travelled < STILL && event.pointerType !== "mouse") return;
      const gain = this.speed < 0.03 ? 0.15 : this.speed > 0.15 ? 1 : 0.15 + 0.85 * ((this.speed - 0.03) / 0.12);
      this.model.moveHeld([(by[0] * gain) / s, (by[1] * gain) / s], { moving: true });
    } else if (this.doing === "drawing") {
      this.model.pointer.value = toPhoto(this.pane.lie.value, at);
      this.pane.drawn.value = [...this.pane.drawn.value, toPhoto(this.pane.lie.value, at)];
    }
  }

  private pinch(id: number, at: Point): void {
    const [a, b] = [...this.on.values()] as [Point, Point];
    const before = Math.hypot(a[0] - b[0], a[1] - b[1]);
    const middle: Point = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    this.on.set(id, at);
    const [c, d] = [...this.on.values()] as [Point, Point];
    const now: Point = [(c[0] + d[0]) / 2, (c[1] + d[1]) / 2];
    this.pane.pan([now[0] - middle[0], now[1] - middle[1]]);
    this.pane.zoom(Math.hypot(c[0] - d[0], c[1] - d[1]) / Math.max(before, 1), now);
  }

  up(event: PointerEvent): void {
    const at = this.at(event);
    this.on.delete(event.pointerId);
    const doing = this.doing;
    if (this.on.size === 0) this.doing = "nothing";
    if (doing === "moving") this.model.settle();
    if (doing === "drawing") {
      const line = this.pane.drawn.value;
      this.pane.drawn.value = [];
      if (!this.model.drawLine(line, this.pane.lie.value.s)) this.model.addMark(toPhoto(this.pane.lie.value, at));
    }
    if (doing === "panning" && this.travelled < STILL && event.button === 0) this.onLine(at);
  }

  /** A click on the line between two marks puts a mark there. */
  private onLine(at: Point): void {
    const one = this.model.finding.value;
    if (!one || this.model.placing.value) return;
    for (const rule of kindOf(one)?.marks ?? []) {
      const marks = marksOf(one, rule.name).map((mark) => toPane(this.pane.lie.value, mark));
      const last = isClosed(rule.name) ? marks.length : marks.length - 1;
      for (let n = 0; n < last; n++) {
        const [a, b] = [marks[n]!, marks[(n + 1) % marks.length]!];
        const span = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
        const t = ((at[0] - a[0]) * (b[0] - a[0]) + (at[1] - a[1]) * (b[1] - a[1])) / span ** 2;
        const off = Math.abs((b[0] - a[0]) * (a[1] - at[1]) - (a[0] - at[0]) * (b[1] - a[1])) / span;
        if (t > 0 && t < 1 && off < 8) return this.model.insertMark(rule.name, n + 1, toPhoto(this.pane.lie.value, at));
      }
    }
    this.model.held.value = null;
  }

  cancel(event: PointerEvent): void {
    this.on.delete(event.pointerId);
    this.giveUp();
  }

  private giveUp(): void {
    if (this.doing === "moving") this.model.settle();
    this.pane.drawn.value = [];
    this.doing = "nothing";
  }

  leave(): void {
    if (this.on.size === 0) this.model.pointer.value = null;
  }
}
