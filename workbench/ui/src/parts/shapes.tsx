// Shapes of outcomes and states, told apart in black and white at 12 px.
import type { JSX } from "preact";
import { OUTCOME_WORDS } from "../words";

const line = { fill: "none", stroke: "currentColor", "stroke-width": 2 } as const;
const full = { fill: "currentColor" } as const;

const SHAPES: Record<string, JSX.Element> = {
  clean: <circle cx="8" cy="8" r="6" {...line} />,
  serviceable: <><circle cx="8" cy="8" r="6" {...line} /><circle cx="8" cy="8" r="2.2" {...full} /></>,
  inspect_again: <rect x="2.5" y="2.5" width="11" height="11" {...line} />,
  blend: <path d="M8 1.5 L14.5 8 L8 14.5 L1.5 8 Z" {...line} />,
  reject: <rect x="1.5" y="1.5" width="13" height="13" {...full} />,
  not_decided: <><circle cx="8" cy="8" r="6" {...line} /><path d="M8 2 A6 6 0 0 1 8 14 Z" {...full} /></>,
  not_measured: <path d="M2.5 2.5 L13.5 13.5 M13.5 2.5 L2.5 13.5" {...line} />,
  no_rule: <path d="M8 2.5 L14.5 13.5 L1.5 13.5 Z" {...line} />,
  marked: <circle cx="8" cy="8" r="6" {...full} />,
  "to do": <path d="M8 6.2 V9.8" {...line} />,
  "not seen": <rect x="2" y="7" width="12" height="2" {...full} />,
};

export function Shape({ name }: { name: string }): JSX.Element {
  return <svg class="shape" viewBox="0 0 16 16" aria-hidden="true">{SHAPES[name] ?? SHAPES["not seen"]}</svg>;
}

export function shapeInside(name: string): JSX.Element {
  return SHAPES[name] ?? SHAPES["not seen"]!;
}

export function Outcome({ name }: { name: string }): JSX.Element {
  return <span class="outcome"><Shape name={name} />{OUTCOME_WORDS[name] ?? name}</span>;
}
