// Reads the binary answers: a head in JSON, then arrays that are used where they lie.

type Typed = Float32Array | Uint8Array | Int8Array | Uint16Array | Uint32Array;

interface Place { type: string; shape: number[]; offset: number }

export interface Packed<Head> { head: Head; arrays: Record<string, Typed> }

const TYPES: Record<string, { new (buffer: ArrayBuffer, offset: number, length: number): Typed; BYTES_PER_ELEMENT: number }> = {
  float32: Float32Array, uint8: Uint8Array, int8: Int8Array, uint16: Uint16Array, uint32: Uint32Array,
};

export function unpack<Head>(buffer: ArrayBuffer): Packed<Head> {
  const view = new DataView(buffer);
  if (new TextDecoder().decode(new Uint8Array(buffer, 0, 4)) !== "FWB1") throw new Error("The workbench sent something else than was asked for.");
  const length = view.getUint32(4, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length))) as Head & { arrays: Record<string, Place> };
  const arrays: Record<string, Typed> = {};
  for (const [name, place] of Object.entries(head.arrays)) {
    const kind = TYPES[place.type];
    if (!kind) throw new Error(`An array of ${place.type} can't be read here.`);
    arrays[name] = new kind(buffer, 8 + length + place.offset, place.shape.reduce((a, b) => a * b, 1));
  }
  return { head, arrays };
}

export interface FlagWords { bit: number; name: string; words: string; bars_use: boolean }
interface LayersHead { size: [number, number]; sigma_step_mm: number; depth_step_mm: number; flags: FlagWords[]; sigma_ends_mm: [number, number] }

export const NONE = 0xffff;

/** What lies under each pixel of the photo. */
export class Layers {
  readonly width: number;
  readonly height: number;
  readonly flags: Uint16Array;
  readonly usable: Uint8Array;
  readonly sigma: Uint16Array;
  readonly depth: Uint16Array;
  readonly head: LayersHead;

  constructor(buffer: ArrayBuffer) {
    const { head, arrays } = unpack<LayersHead>(buffer);
    this.head = head;
    [this.width, this.height] = head.size;
    this.flags = arrays["flags"] as Uint16Array;
    this.usable = arrays["usable"] as Uint8Array;
    this.sigma = arrays["sigma"] as Uint16Array;
    this.depth = arrays["depth"] as Uint16Array;
  }

  private at(u: number, v: number): number {
    const x = Math.round(u), y = Math.round(v);
    return x < 0 || y < 0 || x >= this.width || y >= this.height ? -1 : y * this.width + x;
  }

  under(u: number, v: number): { usable: boolean; words: string[]; depth_mm: number | null; sigma_mm: number | null } | null {
    const n = this.at(u, v);
    if (n < 0) return null;
    const bits = this.flags[n]!;
    const depth = this.depth[n]!, sigma = this.sigma[n]!;
    return {
      usable: this.usable[n] === 1,
      words: this.head.flags.filter((flag) => bits & flag.bit).map((flag) => flag.words),
      depth_mm: depth === NONE ? null : depth * this.head.depth_step_mm,
      sigma_mm: sigma === NONE ? null : sigma * this.head.sigma_step_mm,
    };
  }
}
