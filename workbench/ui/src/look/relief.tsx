// The deviation from the restored metal, seen close: the same pixels as on the photo, marks left away.
import type { JSX } from "preact";
import { useEffect, useRef } from "preact/hooks";
import { unit } from "../state";
import type { Deviation, Point } from "../types";
import { length } from "../words";
import { css, even, twoWay } from "./colours";
import type { LookModel } from "./model";
import { deviationEnd, sigmaEnds } from "./pictures";
import type { Layers } from "./unpack";

export function ReliefMap({ model, deviation }: { model: LookModel; deviation: Deviation }): JSX.Element {
  const canvas = useRef<HTMLCanvasElement>(null);
  const photo = model.photo.value;
  const over = model.deviation.value;
  const [width, height] = deviation.size;
  useEffect(() => {
    const place = canvas.current;
    if (!place || !photo) return;
    place.width = width * 2;
    place.height = height * 2;
    const context = place.getContext("2d", { alpha: false })!;
    context.setTransform(2, 0, 0, 2, 0, 0);
    context.drawImage(photo, -deviation.corner[0], -deviation.corner[1]);
    if (over) context.drawImage(over.canvas, 0, 0);
  }, [photo, over, deviation]);
  const at = model.pointer.value;
  const inside: Point | null = at ? [(at[0] - deviation.corner[0] + 0.5) / width, (at[1] - deviation.corner[1] + 0.5) / height] : null;
  const point = (event: PointerEvent): void => {
    const area = (event.currentTarget as HTMLElement).getBoundingClientRect();
    model.pointer.value = [
      deviation.corner[0] - 0.5 + ((event.clientX - area.left) / area.width) * width,
      deviation.corner[1] - 0.5 + ((event.clientY - area.top) / area.height) * height,
    ];
  };
  return (
    <div class="relief-map" style={{ aspectRatio: `${width} / ${height}` }} onPointerMove={point} onPointerLeave={() => (model.pointer.value = null)}>
      <canvas ref={canvas} role="img" aria-label="Deviation from the restored metal" />
      {inside && inside[0] > 0 && inside[0] < 1 && inside[1] > 0 && inside[1] < 1 && (
        <svg class="spot" viewBox="0 0 20 20" style={{ left: `${100 * inside[0]}%`, top: `${100 * inside[1]}%` }} aria-hidden="true">
          <path d="M10 1v6M10 13v6M1 10h6M13 10h6" />
        </svg>
      )}
    </div>
  );
}

const STEPS = 48;

function Bar({ colour }: { colour: (share: number) => string | null }): JSX.Element {
  return (
    <svg class="bar" viewBox={`0 0 ${STEPS} 1`} preserveAspectRatio="none" aria-hidden="true">
      {Array.from({ length: STEPS }, (_, n) => {
        const fill = colour((n + 0.5) / STEPS);
        return fill ? <rect key={n} x={n} y="0" width="1.05" height="1" fill={fill} /> : null;
      })}
    </svg>
  );
}

const decimals = (mm: number): number => (mm < 0.02 ? 3 : mm < 0.2 ? 2 : 2);

export function DeviationScale({ deviation }: { deviation: Deviation }): JSX.Element {
  const end = deviationEnd(deviation);
  const words = length(end, unit.value, decimals(end));
  return (
    <div class="scale">
      <span>−{words}</span>
      <Bar colour={(share) => {
        const rgb = twoWay((2 * share - 1) * end, deviation.expanded_mm, end);
        return rgb ? css(rgb) : null;
      }} />
      <span>+{words}</span>
    </div>
  );
}

export function UncertaintyScale({ layers }: { layers: Layers }): JSX.Element {
  const [, top] = sigmaEnds(layers);
  return (
    <div class="scale">
      <span>0</span>
      <Bar colour={(share) => css(even(share))} />
      <span>± {length(top, unit.value, decimals(top) + 1)}</span>
    </div>
  );
}
