// Scales of colour. One-way: a perceptually even map made for colour-blind eyes, built from nodes of it.
// Two-way: below in violet, above in ochre; the middle, within U of nought, is the photo itself.

type Rgb = [number, number, number];

const EVEN: Rgb[] = [
  [0, 34, 78], [10, 50, 107], [48, 67, 108], [74, 83, 107], [97, 100, 110], [120, 117, 117], [145, 134, 119],
  [171, 152, 114], [199, 172, 104], [228, 194, 86], [254, 232, 56],
];
const BELOW: [Rgb, Rgb] = [[150, 122, 214], [50, 16, 108]];
const ABOVE: [Rgb, Rgb] = [[208, 132, 34], [255, 224, 130]];

const mix = (a: Rgb, b: Rgb, t: number): Rgb => [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t, a[2] + (b[2] - a[2]) * t];

export function even(share: number): Rgb {
  const at = Math.min(Math.max(share, 0), 1) * (EVEN.length - 1);
  const n = Math.min(Math.floor(at), EVEN.length - 2);
  return mix(EVEN[n]!, EVEN[n + 1]!, at - n);
}

/** The colour of a deviation, or null within `within_mm` of nought. */
export function twoWay(mm: number, within_mm: number, end_mm: number): Rgb | null {
  const size = Math.abs(mm);
  if (size <= within_mm) return null;
  const share = Math.min((size - within_mm) / Math.max(end_mm - within_mm, 1e-9), 1);
  return mm < 0 ? mix(BELOW[0], BELOW[1], share) : mix(ABOVE[0], ABOVE[1], share);
}

export const css = (rgb: Rgb): string => `rgb(${rgb.map(Math.round).join(" ")})`;

/** A round number of 1, 2 or 5 times a power of ten that is at least `value`. */
export function roundUp(value: number): number {
  if (!(value > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(value));
  for (const step of [1, 2, 5, 10]) if (step * power >= value * (1 - 1e-9)) return step * power;
  return 10 * power;
}
