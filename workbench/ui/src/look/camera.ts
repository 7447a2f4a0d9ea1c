// How the photo lies in its pane: pixel (u, v) has its centre at ((u + 0.5) s + x, (v + 0.5) s + y).
import type { Point } from "../types";

export interface Lie { s: number; x: number; y: number }

export const MOST_ZOOM = 60;

export const toPane = (lie: Lie, [u, v]: Point): Point => [(u + 0.5) * lie.s + lie.x, (v + 0.5) * lie.s + lie.y];
export const toPhoto = (lie: Lie, [x, y]: Point): Point => [(x - lie.x) / lie.s - 0.5, (y - lie.y) / lie.s - 0.5];

export function fitted(pane: Point, photo: Point): Lie {
  const s = Math.min(pane[0] / photo[0], pane[1] / photo[1]);
  return { s, x: (pane[0] - s * photo[0]) / 2, y: (pane[1] - s * photo[1]) / 2 };
}

/** Zooms about a point of the pane; the photo is never lost from sight. */
export function zoomed(lie: Lie, by: number, about: Point, pane: Point, photo: Point): Lie {
  const least = Math.min(fitted(pane, photo).s, 1);
  const s = Math.min(Math.max(lie.s * by, least), MOST_ZOOM);
  const k = s / lie.s;
  return held({ s, x: about[0] - k * (about[0] - lie.x), y: about[1] - k * (about[1] - lie.y) }, pane, photo);
}

export function held(lie: Lie, pane: Point, photo: Point): Lie {
  const keep = (at: number, room: number, size: number): number =>
    size <= room ? (room - size) / 2 : Math.min(Math.max(at, room - size - 40), 40);
  return { s: lie.s, x: keep(lie.x, pane[0], lie.s * photo[0]), y: keep(lie.y, pane[1], lie.s * photo[1]) };
}

/** Brings marks into view, with room about them. */
export function shown(points: Point[], pane: Point, photo: Point): Lie {
  const us = points.map((p) => p[0]), vs = points.map((p) => p[1]);
  const [left, right, top, low] = [Math.min(...us), Math.max(...us), Math.min(...vs), Math.max(...vs)];
  const span: Point = [Math.max((right - left) * 2, 40), Math.max((low - top) * 2, 40)];
  const s = Math.min(Math.max(Math.min(pane[0] / span[0], pane[1] / span[1]), fitted(pane, photo).s), 24);
  return held({ s, x: pane[0] / 2 - ((left + right) / 2 + 0.5) * s, y: pane[1] / 2 - ((top + low) / 2 + 0.5) * s }, pane, photo);
}
