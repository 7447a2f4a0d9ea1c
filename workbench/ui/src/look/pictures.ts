// Pictures at the photo's own pixels that are laid over it: what can't be measured, uncertainty, deviation.
import type { Deviation } from "../types";
import { even, roundUp, twoWay } from "./colours";
import { type Layers, NONE } from "./unpack";

export interface Overlay { canvas: HTMLCanvasElement; u: number; v: number }

function sheet(width: number, height: number): { canvas: HTMLCanvasElement; data: ImageData; done: () => void } {
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  const context = canvas.getContext("2d")!;
  const data = context.createImageData(width, height);
  return { canvas, data, done: () => context.putImageData(data, 0, 0) };
}

/** Opaque where nothing trustworthy can be measured. */
export function unusableMask(layers: Layers): Overlay {
  const made = sheet(layers.width, layers.height);
  for (let n = 0; n < layers.usable.length; n++) if (!layers.usable[n]) made.data.data[4 * n + 3] = 255;
  made.done();
  return { canvas: made.canvas, u: 0, v: 0 };
}

export function sigmaEnds(layers: Layers): [number, number] {
  return [0, roundUp(2 * layers.head.sigma_ends_mm[1])];
}

/** Uncertainty (U = 2 u) of single points along their rays. */
export function uncertaintyPicture(layers: Layers): Overlay {
  const made = sheet(layers.width, layers.height);
  const [, top] = sigmaEnds(layers);
  const table = Array.from({ length: 256 }, (_, n) => even(n / 255));
  const out = made.data.data;
  const scale = (2 * layers.head.sigma_step_mm * 255) / top;
  for (let n = 0; n < layers.sigma.length; n++) {
    const steps = layers.sigma[n]!;
    if (steps === NONE || !layers.usable[n]) continue;
    const rgb = table[Math.min(Math.round(steps * scale), 255)]!;
    out[4 * n] = rgb[0];
    out[4 * n + 1] = rgb[1];
    out[4 * n + 2] = rgb[2];
    out[4 * n + 3] = 235;
  }
  made.done();
  return { canvas: made.canvas, u: 0, v: 0 };
}

const EMPTY = -32768;

export function deviationSteps(one: Deviation): Int16Array {
  const text = atob(one.steps);
  const bytes = new Uint8Array(text.length);
  for (let n = 0; n < text.length; n++) bytes[n] = text.charCodeAt(n);
  return new Int16Array(bytes.buffer);
}

export function deviationEnd(one: Deviation): number {
  return roundUp(Math.max(Math.abs(one.ends_mm[0]), Math.abs(one.ends_mm[1]), one.expanded_mm));
}

export function deviationPicture(one: Deviation): Overlay {
  const [width, height] = one.size;
  const made = sheet(width, height);
  const steps = deviationSteps(one);
  const end = deviationEnd(one);
  for (let n = 0; n < steps.length; n++) {
    if (steps[n] === EMPTY) continue;
    const rgb = twoWay(steps[n]! * one.step_mm, one.expanded_mm, end);
    if (!rgb) continue;
    made.data.data.set([rgb[0], rgb[1], rgb[2], 225], 4 * n);
  }
  made.done();
  return { canvas: made.canvas, u: one.corner[0], v: one.corner[1] };
}

/** Deviation at a pixel, or null where it isn't known. */
export function deviationAt(one: Deviation, steps: Int16Array, u: number, v: number): number | null {
  const x = Math.round(u) - one.corner[0], y = Math.round(v) - one.corner[1];
  if (x < 0 || y < 0 || x >= one.size[0] || y >= one.size[1]) return null;
  const value = steps[y * one.size[0] + x]!;
  return value === EMPTY ? null : value * one.step_mm;
}
