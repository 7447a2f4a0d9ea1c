// The pane of the view in space, with the marks drawn over it; pointer and marks are those of the photo.
import { effect, useSignal } from "@preact/signals";
import type { JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { getBytes } from "../server";
import { theme } from "../state";
import type { Point } from "../types";
import { isClosed, kindOf, marksOf } from "./marking";
import type { LookModel } from "./model";
import { sigmaEnds } from "./pictures";
import type { SpaceScene } from "./space";

export function Space({ model }: { model: LookModel }): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const [scene, setScene] = useState<SpaceScene | null>(null);
  const [trouble, setTrouble] = useState("");
  const turned = useSignal(0);

  useEffect(() => {
    let made: SpaceScene | null = null;
    let gone = false;
    void (async () => {
      try {
        const [buffer, { SpaceScene: Made }] = await Promise.all([getBytes(`/api/captures/${model.sha256}/surface`), import("./space")]);
        if (gone || !canvas.current) return;
        made = new Made(canvas.current, buffer, () => turned.value++);
        setScene(made);
      } catch (error) {
        setTrouble(`The surface can't be shown in space: ${(error as Error).message}`);
      }
    })();
    return () => {
      gone = true;
      made?.close();
    };
  }, [model]);

  useEffect(() => {
    const place = box.current;
    if (!scene || !place) return;
    const resize = new ResizeObserver(() => scene.resize([place.clientWidth, place.clientHeight]));
    resize.observe(place);
    const wheel = (event: WheelEvent): void => {
      event.preventDefault();
      scene.nearer(Math.exp(-event.deltaY * 0.0012));
    };
    place.addEventListener("wheel", wheel, { passive: false });
    const ends = [
      effect(() => scene.background(theme.value === "dark" ? "#0f0e0d" : "#2b2825")),
      effect(() => scene.colour(model.laid.value, model.result.value?.drawing?.deviation ?? null, model.layers.value ? sigmaEnds(model.layers.value)[1] : 0.1)),
      effect(() => scene.turnAbout(model.result.value?.drawing?.deepest ?? middle(model))),
    ];
    place.focus({ preventScroll: true });
    return () => {
      resize.disconnect();
      place.removeEventListener("wheel", wheel);
      for (const end of ends) end();
    };
  }, [scene]);

  const touch = useRef(new Turning());
  return (
    <div
      ref={box}
      class="photo space"
      tabIndex={0}
      role="application"
      aria-label="The surface in space. Arrow keys turn it, plus and minus go nearer, Home gives the probe's own view."
      onPointerDown={(e) => touch.current.down(e)}
      onPointerMove={(e) => scene && touch.current.move(e, scene, model)}
      onPointerUp={(e) => touch.current.up(e)}
      onPointerCancel={(e) => touch.current.up(e)}
      onPointerLeave={() => (model.pointer.value = null)}
      onContextMenu={(e) => e.preventDefault()}
      onKeyDown={(e) => scene && keys(e, scene)}
    >
      <canvas ref={canvas} aria-hidden="true" />
      {scene ? <SpaceMarks scene={scene} model={model} turned={turned.value} /> : <p class="waiting" role="status">{trouble || "Placing the surface in space …"}</p>}
    </div>
  );
}

function middle(model: LookModel): Point | null {
  const one = model.finding.value;
  const all = one ? (kindOf(one)?.marks ?? []).flatMap((rule) => marksOf(one, rule.name)) : [];
  if (!all.length) return null;
  return [all.reduce((sum, p) => sum + p[0], 0) / all.length, all.reduce((sum, p) => sum + p[1], 0) / all.length];
}

function SpaceMarks({ scene, model }: { scene: SpaceScene; model: LookModel; turned: number }): JSX.Element {
  const path = (points: Point[], closed: boolean): string => {
    const seen = points.map((p) => scene.seenAt(p)).filter((p): p is Point => p !== null);
    return seen.length ? `M${seen.map((p) => `${p[0].toFixed(1)} ${p[1].toFixed(1)}`).join("L")}${closed ? "Z" : ""}` : "";
  };
  const pointer = model.pointer.value ? scene.seenAt(model.pointer.value) : null;
  return (
    <svg class="marks" aria-hidden="true">
      {model.findings.value.map((one) => (
        <g key={one.id} class={one.id === model.chosen.value ? "own" : "others"}>
          {(kindOf(one)?.marks ?? []).map((rule) => {
            const d = path(marksOf(one, rule.name), isClosed(rule.name));
            return (
              <g key={rule.name}>
                <path class="under" d={d} /><path class="join" d={d} />
                {marksOf(one, rule.name).map((mark, n) => {
                  const at = scene.seenAt(mark);
                  return at && <circle key={n} cx={at[0]} cy={at[1]} r={4} />;
                })}
              </g>
            );
          })}
        </g>
      ))}
      {model.result.value?.drawing?.lines.slice(1).map((points, n) => {
        const d = path(points, false);
        return <g key={n} class="contour"><path class="under" d={d} /><path d={d} /></g>;
      })}
      {pointer && <g class="cross"><circle cx={pointer[0]} cy={pointer[1]} r={6} class="under" /><circle cx={pointer[0]} cy={pointer[1]} r={6} /></g>}
    </svg>
  );
}

class Turning {
  private readonly on = new Map<number, Point>();
  private shifting = false;
  private picking = 0;

  down(event: PointerEvent): void {
    (event.currentTarget as HTMLElement).setPointerCapture(event.pointerId);
    this.on.set(event.pointerId, [event.clientX, event.clientY]);
    this.shifting = event.button !== 0 || event.shiftKey;
  }

  move(event: PointerEvent, scene: SpaceScene, model: LookModel): void {
    const at: Point = [event.clientX, event.clientY];
    const before = this.on.get(event.pointerId);
    if (!before) {
      const area = (event.currentTarget as HTMLElement).getBoundingClientRect();
      cancelAnimationFrame(this.picking);
      this.picking = requestAnimationFrame(() => (model.pointer.value = scene.pixelUnder([at[0] - area.left, at[1] - area.top])));
      return;
    }
    const by: Point = [at[0] - before[0], at[1] - before[1]];
    if (this.on.size === 2) {
      const apart = (): number => {
        const [a, b] = [...this.on.values()] as [Point, Point];
        return Math.hypot(a[0] - b[0], a[1] - b[1]);
      };
      const was = apart();
      this.on.set(event.pointerId, at);
      scene.nearer(apart() / Math.max(was, 1));
      scene.shift([by[0] / 2, by[1] / 2]);
      return;
    }
    this.on.set(event.pointerId, at);
    if (this.shifting) scene.shift(by);
    else scene.turn(by[0] * 0.006, by[1] * 0.006);
  }

  up(event: PointerEvent): void {
    this.on.delete(event.pointerId);
  }
}

const TURNS: Record<string, Point> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function keys(event: KeyboardEvent, scene: SpaceScene): void {
  const turn = TURNS[event.key];
  if (turn) scene.turn(turn[0] * 0.09, turn[1] * 0.09);
  else if (event.key === "+" || event.key === "=") scene.nearer(1.2);
  else if (event.key === "-") scene.nearer(1 / 1.2);
  else if (event.key === "Home") scene.home();
  else return;
  event.preventDefault();
  event.stopPropagation();
}

