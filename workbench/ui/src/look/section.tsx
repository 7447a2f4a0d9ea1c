// The section through the damage as a technical drawing: points as a thin band, the restored metal dashed, the depth
// as a dimension; heights are exaggerated by a round number that is written on it.
import type { JSX } from "preact";
import { useLayoutEffect, useRef, useState } from "preact/hooks";
import { unit } from "../state";
import type { Result, Section } from "../types";
import { length } from "../words";

interface Scale { x: (mm: number) => number; y: (mm: number) => number; times: number; left: number; right: number; zero: number }

const EXAGGERATED = [1, 2, 5, 10, 20, 50, 100];

function scaleOf(cut: Section, w: number, h: number): Scale | null {
  const along = cut.along_mm.filter((v): v is number => v !== null);
  const heights = cut.measured_mm.filter((v): v is number => v !== null);
  if (along.length < 2 || !heights.length) return null;
  const [first, last] = [along[0]!, along.at(-1)!];
  const low = Math.min(...heights, 0), high = Math.max(...heights, 0);
  const room = { left: 26, right: w - 118, top: 30, low: h - 34 };
  const per = (room.right - room.left) / (last - first);
  const wanted = (room.low - room.top) / Math.max((high - low) * per, 1e-9);
  const times = EXAGGERATED.filter((k) => k <= wanted).at(-1) ?? 1;
  const zero = room.top + ((room.low - room.top) - (high - low) * per * times) / 2 + high * per * times;
  return { x: (mm) => room.left + (mm - first) * per, y: (mm) => zero - mm * per * times, times, left: room.left, right: room.right, zero };
}

export function SectionPlot({ result }: { result: Result }): JSX.Element {
  const box = useRef<HTMLDivElement>(null);
  const [size, setSize] = useState<[number, number]>([600, 190]);
  useLayoutEffect(() => {
    const place = box.current!;
    const seen = new ResizeObserver(() => setSize([place.clientWidth, place.clientHeight]));
    seen.observe(place);
    return () => seen.disconnect();
  }, []);
  const cut = result.drawing?.section;
  const scale = cut ? scaleOf(cut, ...size) : null;
  return (
    <div class="section-plot" ref={box}>
      {cut && scale && <Plot cut={cut} scale={scale} size={size} result={result} />}
    </div>
  );
}

function Plot({ cut, scale, size: [w, h], result }: { cut: Section; scale: Scale; size: [number, number]; result: Result }): JSX.Element {
  const { x, y, zero } = scale;
  const runs: { x: number; y: number; u: number }[][] = [[]];
  cut.along_mm.forEach((along, n) => {
    const [height, doubt] = [cut.measured_mm[n], cut.expanded_mm[n]];
    if (along === null || height === null || height === undefined) runs.push([]);
    else runs.at(-1)!.push({ x: x(along), y: y(height), u: Math.abs(y(doubt ?? 0) - y(0)) });
  });
  const depth = result.quantities.find((q) => q.name === "depth");
  let low: { x: number; y: number } | null = null;
  for (const run of runs) for (const p of run) if (!low || p.y > low.y) low = p;
  const step = tick((scale.right - scale.left) / (x(1) - x(0)));
  const ticks = Math.floor((scale.right - scale.left) / (x(1) - x(0)) / step);
  return (
    <svg width={w} height={h} role="img" aria-label={`Section from A to B, ${depth ? `depth ${depth[unit.value]}` : ""}`}>
      {cut.points.map(([along, height], n) =>
        along !== null && height !== null ? <circle key={n} class="point" cx={x(along)} cy={y(height)} r={1.1} /> : null)}
      <path class="restored" d={`M${scale.left} ${zero}H${scale.right}`} />
      {runs.filter((run) => run.length > 1).map((run, n) => (
        <g key={n}>
          <path class="band" d={`M${run.map((p) => `${p.x} ${p.y - p.u}`).join("L")}L${run.toReversed().map((p) => `${p.x} ${p.y + p.u}`).join("L")}Z`} />
          <path class="measured" d={`M${run.map((p) => `${p.x} ${p.y}`).join("L")}`} />
        </g>
      ))}
      {depth && low && (
        <g class="dimension">
          <path d={`M${low.x} ${zero}H${scale.right + 18}M${low.x} ${low.y}H${scale.right + 18}`} class="lead" />
          <path d={`M${scale.right + 12} ${zero}V${low.y}`} />
          <path class="arrow" d={`M${scale.right + 12} ${zero}l-3 7h6z`} /><path class="arrow" d={`M${scale.right + 12} ${low.y}l-3 -7h6z`} />
          <text x={scale.right + 22} y={(zero + low.y) / 2 + 5}>{depth[unit.value].split("\u2009±")[0]}</text>
        </g>
      )}
      <text class="end" x={scale.left - 16} y={zero + 5}>A</text>
      <text class="end" x={scale.right + 3} y={zero - 8}>B</text>
      <g class="ruler">
        <path d={`M${scale.left} ${h - 14}H${scale.left + ticks * step * (x(1) - x(0))}`} />
        {Array.from({ length: ticks + 1 }, (_, n) => <path key={n} d={`M${scale.left + n * step * (x(1) - x(0))} ${h - 18}v8`} />)}
        <text x={scale.left + 4} y={h - 20}>{length(step, unit.value, step < 1 ? 1 : 0)} a step</text>
        <text x={scale.right} y={h - 20} text-anchor="end">{scale.times === 1 ? "height to scale" : `height × ${scale.times}`}</text>
      </g>
    </svg>
  );
}

function tick(span_mm: number): number {
  for (const step of [0.1, 0.2, 0.5, 1, 2, 5, 10]) if (span_mm / step <= 8) return step;
  return 20;
}
