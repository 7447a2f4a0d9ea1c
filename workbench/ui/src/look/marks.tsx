// Marks over the photo: small and hollow, so that the metal under them is seen; labels stand outside the damage.
import type { JSX } from "preact";
import { kindWords } from "../words";
import type { Finding, Point, Result } from "../types";
import { type Lie, toPane } from "./camera";
import { isClosed, kindOf, marksOf } from "./marking";
import type { LookModel } from "./model";
import type { Pane } from "./photo";

const line = (points: Point[], closed: boolean): string =>
  points.length ? `M${points.map((p) => `${p[0].toFixed(1)} ${p[1].toFixed(1)}`).join("L")}${closed ? "Z" : ""}` : "";

export function MarksLayer({ model, pane }: { model: LookModel; pane: Pane }): JSX.Element {
  const lie = pane.lie.value;
  const [w, h] = pane.size.value;
  const chosen = model.chosen.value;
  const pointer = model.pointer.value;
  const drawn = pane.drawn.value.map((p) => toPane(lie, p));
  const rule = model.rule.value;
  return (
    <svg class="marks" width={w} height={h} aria-hidden="true">
      {model.findings.value.filter((one) => one.id !== chosen).map((one) => <Others key={one.id} one={one} lie={lie} />)}
      {model.finding.value && <Own one={model.finding.value} result={model.result.value} model={model} lie={lie} pane={pane} />}
      {drawn.length > 1 && (
        <>
          <path class="under" d={line(drawn, false)} />
          <path class="drawn" d={line(drawn, false)} />
          {rule && isClosed(rule.name) && drawn.length > 6 && <path class="closing" d={line([drawn[0]!, drawn.at(-1)!], false)} />}
        </>
      )}
      {pointer && <Cross at={toPane(lie, pointer)} />}
    </svg>
  );
}

function Cross({ at: [x, y] }: { at: Point }): JSX.Element {
  return (
    <g class="cross">
      <path class="under" d={`M${x - 16} ${y}H${x - 5}M${x + 5} ${y}H${x + 16}M${x} ${y - 16}V${y - 5}M${x} ${y + 5}V${y + 16}`} />
      <path d={`M${x - 16} ${y}H${x - 5}M${x + 5} ${y}H${x + 16}M${x} ${y - 16}V${y - 5}M${x} ${y + 5}V${y + 16}`} />
    </g>
  );
}

function Others({ one, lie }: { one: Finding; lie: Lie }): JSX.Element {
  const all: Point[] = [];
  return (
    <g class="others">
      {(kindOf(one)?.marks ?? []).map((rule) => {
        const points = marksOf(one, rule.name).map((mark) => toPane(lie, mark));
        all.push(...points);
        return (
          <g key={rule.name}>
            <path class="under" d={line(points, isClosed(rule.name))} />
            <path d={line(points, isClosed(rule.name))} />
            {points.map(([x, y], n) => <circle key={n} cx={x} cy={y} r={3} />)}
          </g>
        );
      })}
      {all.length > 0 && <Label words={`${one.id} ${kindWords(one.kind).toLowerCase()}`} all={all} />}
    </g>
  );
}

function Own({ one, result, model, lie, pane }: { one: Finding; result: Result | null; model: LookModel; lie: Lie; pane: Pane }): JSX.Element {
  const all: Point[] = [];
  const held = model.held.value;
  const drawing = result?.drawing;
  const fresh = !!drawing && !result?.quick;
  return (
    <g class="own">
      {fresh && drawing.lines.slice(1).map((points, n) => (
        <g key={n} class="contour"><path class="under" d={line(points.map((p) => toPane(lie, p)), false)} /><path d={line(points.map((p) => toPane(lie, p)), false)} /></g>
      ))}
      {fresh && drawing.section && <Cut from={toPane(lie, drawing.section.from)} to={toPane(lie, drawing.section.to)} />}
      {(kindOf(one)?.marks ?? []).map((rule) => {
        const points = marksOf(one, rule.name).map((mark) => toPane(lie, mark));
        all.push(...points);
        const closed = isClosed(rule.name) && points.length > 2;
        return (
          <g key={rule.name}>
            <path class="under" d={line(points, closed)} />
            <path class="join" d={line(points, closed)} />
            {points.map(([x, y], n) => {
              const now = held?.name === rule.name && held.index === n;
              return (
                <g key={n} class={now ? "mark now" : "mark"}>
                  <circle class="under" cx={x} cy={y} r={now ? 9 : 5} />
                  <circle cx={x} cy={y} r={now ? 9 : 5} />
                  {now && <path d={`M${x - 15} ${y}H${x - 9}M${x + 9} ${y}H${x + 15}M${x} ${y - 15}V${y - 9}M${x} ${y + 9}V${y + 15}`} />}
                </g>
              );
            })}
          </g>
        );
      })}
      {fresh && drawing.drawn.map((mark, n) => {
        const [a, b] = [toPane(lie, mark.placed), toPane(lie, mark.used)];
        return <g key={n} class="feature"><path d={line([a, b], false)} /><path d={`M${b[0]} ${b[1] - 5}L${b[0] + 5} ${b[1]}L${b[0]} ${b[1] + 5}L${b[0] - 5} ${b[1]}Z`} /></g>;
      })}
      {fresh && drawing.deepest && <Deepest at={toPane(lie, drawing.deepest)} />}
      {all.length > 0 && !pane.drawn.value.length && <Label words={`${one.id} ${kindWords(one.kind).toLowerCase()}`} all={all} own />}
    </g>
  );
}

function Deepest({ at: [x, y] }: { at: Point }): JSX.Element {
  const d = `M${x - 5} ${y - 5}L${x + 5} ${y + 5}M${x + 5} ${y - 5}L${x - 5} ${y + 5}`;
  return <g class="deepest"><path class="under" d={d} /><path d={d} /></g>;
}

function Cut({ from, to }: { from: Point; to: Point }): JSX.Element {
  const angle = Math.atan2(to[1] - from[1], to[0] - from[0]);
  const end = (p: Point): string => `M${p[0] - 7 * Math.sin(angle)} ${p[1] + 7 * Math.cos(angle)}L${p[0] + 7 * Math.sin(angle)} ${p[1] - 7 * Math.cos(angle)}`;
  const d = `${line([from, to], false)}${end(from)}${end(to)}`;
  const name = (p: Point, side: number): Point => [p[0] + side * 15 * Math.cos(angle), p[1] + side * 15 * Math.sin(angle) + 5];
  const [a, b] = [name(from, -1), name(to, 1)];
  return (
    <g class="cut">
      <path class="under" d={d} /><path d={d} />
      <text x={a[0]} y={a[1]} text-anchor="middle">A</text><text x={b[0]} y={b[1]} text-anchor="middle">B</text>
    </g>
  );
}

function Label({ words, all, own = false }: { words: string; all: Point[]; own?: boolean }): JSX.Element {
  const right = Math.max(...all.map((p) => p[0])), top = Math.min(...all.map((p) => p[1]));
  const near = all.reduce((a, b) => (b[0] - b[1] > a[0] - a[1] ? b : a));
  const at: Point = [right + 22, top - 12];
  return (
    <g class={own ? "label own-label" : "label"}>
      <path class="under" d={`M${near[0] + 5} ${near[1] - 4}L${at[0] - 4} ${at[1]}`} />
      <path d={`M${near[0] + 5} ${near[1] - 4}L${at[0] - 4} ${at[1]}`} />
      <text class="halo" x={at[0]} y={at[1] + 4}>{words}</text>
      <text x={at[0]} y={at[1] + 4}>{words}</text>
    </g>
  );
}
