// Small line drawings of each damage as it looks on the metal; thick line: the damage, thin line: the part.
import type { JSX } from "preact";

const thin = { fill: "none", stroke: "currentColor", "stroke-width": 1.4, opacity: 0.55, "stroke-linecap": "round" } as const;
const thick = { fill: "none", stroke: "currentColor", "stroke-width": 2.4, "stroke-linecap": "round", "stroke-linejoin": "round" } as const;
const dash = { ...thin, "stroke-dasharray": "3 3" } as const;

/** A piece of face, seen from its front. */
const face = <path d="M7 10 Q24 4 41 9 L38 40 Q24 44 10 40 Z" {...thin} />;
/** A piece of edge: sound metal lies to the left of it. */
const side = <><path d="M8 7 L31 7" {...thin} /><path d="M8 41 L31 41" {...thin} /></>;

const DRAWN: Record<string, JSX.Element> = {
  dent: <>{face}<ellipse cx="24" cy="24" rx="9" ry="7" {...thick} /><path d="M19 25 Q24 29 29 25" {...thin} /></>,
  gouge: <>{face}<path d="M15 32 Q22 22 34 17 Q29 26 15 32 Z" {...thick} /></>,
  crack: <>{face}<path d="M15 15 L21 20 L20 25 L27 29 L27 35" {...thick} /></>,
  hole: <>{face}<path d="M17 22 L22 17 L29 18 L32 25 L27 31 L19 29 Z" {...thick} /><path d="M21 27 L28 20 M24 29 L30 23" {...thin} /></>,
  area: <>{face}<path d="M14 22 Q20 13 30 17 Q37 24 29 31 Q18 34 14 22 Z" {...thick} stroke-dasharray="1 4.5" /></>,
  edge_nick: <>{side}<path d="M31 7 L31 17 L20 24 L31 31 L31 41" {...thick} /><path d="M31 17 L31 31" {...dash} /></>,
  edge_bend: <>{side}<path d="M31 7 Q31 16 37 24 Q31 32 31 41" {...thick} /><path d="M31 9 L31 39" {...dash} /></>,
  corner_loss: <><path d="M8 41 L31 41" {...thin} /><path d="M8 9 L17 9 L26 22 L31 24 L31 41" {...thick} /><path d="M17 9 L31 9 L31 24" {...dash} /></>,
  tip_loss: <><path d="M11 42 L11 22 L18 18 L26 23 L36 17 L36 42" {...thick} /><path d="M11 20 L11 9 L36 9 L36 15" {...dash} /></>,
  blend: <>{side}<path d="M31 7 L31 12 Q29 16 26 20 Q24 24 26 28 Q29 32 31 36 L31 41" {...thick} /><path d="M31 12 L31 36" {...dash} /></>,
  distance: <><path d="M9 36 L39 12" {...thick} /><path d="M6 31 L13 40 M35 8 L42 17" {...thick} /></>,
  path: <><path d="M8 34 Q14 12 24 24 T40 14" {...thick} /><circle cx="8" cy="34" r="2.6" {...thick} /><circle cx="40" cy="14" r="2.6" {...thick} /></>,
  offset: <><path d="M7 36 L41 28" {...thin} /><path d="M21 11 L25.5 30" {...thick} /><circle cx="20" cy="9" r="2.6" {...thick} /></>,
  step: <><path d="M7 32 L24 32 L24 17 L41 17" {...thick} /><path d="M30 32 L40 32 M36 20 L36 31" {...thin} /></>,
  clearance: <><path d="M6 11 Q24 6 42 11" {...thick} /><path d="M11 42 L13 22 L35 22 L37 42" {...thick} /><path d="M24 12 L24 19" {...dash} /></>,
  flat: <path d="M8 31 L26 38 L41 20 L22 12 Z" {...thick} />,
  sphere: <><circle cx="24" cy="24" r="14" {...thick} /><path d="M10.5 24 Q24 31 37.5 24" {...thin} /></>,
  observation: <><path d="M6 24 Q24 6 42 24 Q24 42 6 24 Z" {...thick} /><circle cx="24" cy="24" r="4.5" {...thick} /></>,
  object: <><path d="M12 27 L19 14 L32 12 L37 24 L29 35 L17 35 Z" {...thick} /><path d="M19 14 L25 24 L37 24 M25 24 L17 35" {...thin} /></>,
};

export function Pictogram({ kind }: { kind: string }): JSX.Element {
  return <svg class="pictogram" viewBox="0 0 48 48" aria-hidden="true">{DRAWN[kind] ?? DRAWN["object"]}</svg>;
}
