// The surface in space: starts from the probe's own viewpoint and turns about the damage. Draws only when something
// changed; while it turns, a coarse set of triangles.
import {
  BufferAttribute, BufferGeometry, Color, DataTexture, DoubleSide, LinearFilter, Mesh, PerspectiveCamera, Quaternion, Raycaster,
  RGBAFormat, Scene, ShaderMaterial, Vector2, Vector3, WebGLRenderer,
} from "three";
import type { Deviation, Point } from "../types";
import { even, twoWay } from "./colours";
import { deviationEnd, deviationSteps } from "./pictures";
import { NONE, unpack } from "./unpack";

interface Head { centre_mm: [number, number, number]; size: [number, number]; focal_px: number; middle_px: Point; sigma_step_mm: number }

const VERTEX = `
attribute float grey; attribute float shade;
varying float vGrey; varying float vShade; varying vec3 vFacing;
void main() {
  vGrey = grey; vShade = shade; vFacing = normalMatrix * normal;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;
const FRAGMENT = `
uniform sampler2D table; uniform float laid;
varying float vGrey; varying float vShade; varying vec3 vFacing;
void main() {
  float size = length(vFacing);
  float facing = size > 0.1 ? abs(vFacing.z) / size : 0.8;
  vec3 metal = vec3(0.08 + 0.92 * vGrey) * (0.82 + 0.18 * facing);
  vec4 over = vShade > 0.99999 ? vec4(0.0) : texture2D(table, vec2(vShade, 0.5));
  vec3 lit = over.rgb * (0.45 + 0.55 * facing);
  gl_FragColor = vec4(mix(metal, lit, over.a * laid), 1.0);
}`;

export class SpaceScene {
  private readonly renderer: WebGLRenderer;
  private readonly scene = new Scene();
  private readonly camera: PerspectiveCamera;
  private readonly fine: Mesh;
  private readonly coarse: Mesh;
  private readonly material: ShaderMaterial;
  private readonly head: Head;
  private readonly pixels: Uint16Array;
  private readonly positions: Float32Array;
  private readonly sigma: Uint16Array;
  private readonly vertexAt: Int32Array;
  private readonly pivot = new Vector3();
  private asked = 0;
  private rest = 0;
  private size: Point = [1, 1];
  readonly vertices: number;

  constructor(canvas: HTMLCanvasElement, buffer: ArrayBuffer, readonly seen: () => void) {
    const { head, arrays } = unpack<Head>(buffer);
    this.head = head;
    this.positions = arrays["positions"] as Float32Array;
    this.pixels = arrays["pixels"] as Uint16Array;
    this.sigma = arrays["sigma"] as Uint16Array;
    this.vertices = this.pixels.length / 2;
    this.vertexAt = new Int32Array(head.size[0] * head.size[1]).fill(-1);
    for (let n = 0; n < this.vertices; n++) this.vertexAt[this.pixels[2 * n + 1]! * head.size[0] + this.pixels[2 * n]!] = n;

    this.renderer = new WebGLRenderer({ canvas, antialias: false, powerPreference: "low-power" });
    this.material = new ShaderMaterial({
      vertexShader: VERTEX, fragmentShader: FRAGMENT, side: DoubleSide,
      uniforms: { table: { value: tableOf(() => null) }, laid: { value: 0 } },
    });
    const shared: [string, BufferAttribute][] = [
      ["position", new BufferAttribute(this.positions, 3)],
      ["normal", new BufferAttribute(arrays["normals"] as Int8Array, 4, true)],
      ["grey", new BufferAttribute(arrays["photo"] as Uint16Array, 1, true)],
      ["shade", new BufferAttribute(new Uint16Array(this.vertices).fill(NONE), 1, true)],
    ];
    const made = (index: Uint32Array): Mesh => {
      const geometry = new BufferGeometry();
      for (const [name, attribute] of shared) geometry.setAttribute(name, attribute);
      geometry.setIndex(new BufferAttribute(index, 1));
      const mesh = new Mesh(geometry, this.material);
      mesh.scale.set(1, -1, -1); // y down and z forward become y up and z backward
      mesh.frustumCulled = false;
      mesh.updateMatrixWorld();
      return mesh;
    };
    this.fine = made(arrays["triangles"] as Uint32Array);
    this.coarse = made(arrays["coarse"] as Uint32Array);
    this.coarse.visible = false;
    this.scene.add(this.fine, this.coarse);
    this.camera = new PerspectiveCamera(50, 1, 0.05, 500);
    this.home();
  }

  /** The probe's own viewpoint. */
  home(): void {
    const [x, y, z] = this.head.centre_mm;
    this.camera.position.set(-x, y, z);
    this.camera.quaternion.identity();
    this.camera.updateMatrixWorld();
    this.ask(false);
  }

  resize(size: Point): void {
    this.size = size;
    const [w, h] = size;
    const [pw, ph] = this.head.size;
    const s = Math.min(w / pw, h / ph);
    this.camera.aspect = w / h;
    this.camera.fov = (2 * Math.atan(h / (2 * s * this.head.focal_px)) * 180) / Math.PI;
    const off: Point = [(this.head.middle_px[0] + 0.5 - pw / 2) * s, (this.head.middle_px[1] + 0.5 - ph / 2) * s];
    this.camera.setViewOffset(w, h, -off[0], -off[1], w, h);
    this.camera.updateProjectionMatrix();
    this.renderer.setPixelRatio(Math.min(devicePixelRatio || 1, 1.5));
    this.renderer.setSize(w, h, false);
    this.ask(false);
  }

  background(colour: string): void {
    this.scene.background = new Color(colour);
    this.ask(false);
  }

  colour(what: "photo" | "uncertainty" | "deviation", deviation: Deviation | null, sigmaTop_mm: number): void {
    const attribute = this.fine.geometry.getAttribute("shade") as BufferAttribute;
    const shade = attribute.array as Uint16Array;
    this.material.uniforms["laid"]!.value = what === "photo" ? 0 : 1;
    if (what === "uncertainty") {
      const scale = (2 * this.head.sigma_step_mm * (NONE - 1)) / sigmaTop_mm;
      for (let n = 0; n < shade.length; n++) shade[n] = this.sigma[n] === NONE ? NONE : Math.min(this.sigma[n]! * scale, NONE - 1);
      this.material.uniforms["table"]!.value = tableOf((share) => even(share));
    } else if (what === "deviation" && deviation) {
      const steps = deviationSteps(deviation);
      const end = deviationEnd(deviation);
      const [u0, v0] = deviation.corner, [w, h] = deviation.size;
      for (let n = 0; n < shade.length; n++) {
        const x = this.pixels[2 * n]! - u0, y = this.pixels[2 * n + 1]! - v0;
        const value = x < 0 || y < 0 || x >= w || y >= h ? -32768 : steps[y * w + x]!;
        shade[n] = value === -32768 ? NONE : Math.min(Math.max(((value * deviation.step_mm) / end + 1) / 2, 0), 1) * (NONE - 1);
      }
      this.material.uniforms["table"]!.value = tableOf((share) => twoWay((2 * share - 1) * end, deviation.expanded_mm, end));
    }
    attribute.needsUpdate = true;
    this.ask(false);
  }

  /** Turns about this pixel's place from now on. */
  turnAbout(at: Point | null): void {
    const place = at ? this.placeOf(at) : null;
    if (place) this.pivot.copy(place);
    else this.pivot.set(0, 0, 0);
  }

  turn(right: number, down: number): void {
    const up = new Vector3(0, 1, 0).applyQuaternion(this.camera.quaternion);
    const side = new Vector3(1, 0, 0).applyQuaternion(this.camera.quaternion);
    const by = new Quaternion().setFromAxisAngle(up, -right).multiply(new Quaternion().setFromAxisAngle(side, -down));
    this.camera.position.sub(this.pivot).applyQuaternion(by).add(this.pivot);
    this.camera.quaternion.premultiply(by).normalize();
    this.ask(true);
  }

  nearer(by: number): void {
    const way = this.camera.position.clone().sub(this.pivot);
    const away = Math.min(Math.max(way.length() / by, 0.6), 200);
    this.camera.position.copy(this.pivot).add(way.setLength(away));
    this.ask(true);
  }

  shift(by: Point): void {
    const away = this.camera.position.distanceTo(this.pivot);
    const per = (2 * away * Math.tan((this.camera.fov * Math.PI) / 360)) / this.size[1];
    const move = new Vector3(-by[0] * per, by[1] * per, 0).applyQuaternion(this.camera.quaternion);
    this.camera.position.add(move);
    this.ask(true);
  }

  /** Where a pixel's place is seen in the pane; null where it has no surface or lies behind. */
  seenAt(at: Point): Point | null {
    const place = this.placeOf(at);
    if (!place) return null;
    place.project(this.camera);
    if (place.z > 1) return null;
    return [((place.x + 1) / 2) * this.size[0], ((1 - place.y) / 2) * this.size[1]];
  }

  /** The photo's pixel under a place of the pane. */
  pixelUnder(at: Point): Point | null {
    const ray = new Raycaster();
    ray.setFromCamera(new Vector2((2 * at[0]) / this.size[0] - 1, 1 - (2 * at[1]) / this.size[1]), this.camera);
    this.coarse.visible = true;
    const hit = ray.intersectObject(this.coarse, false)[0];
    this.coarse.visible = this.rest !== 0;
    if (!hit?.face) return null;
    const local = this.coarse.worldToLocal(hit.point.clone());
    let best = Infinity, found = hit.face.a;
    for (const n of [hit.face.a, hit.face.b, hit.face.c]) {
      const away = Math.hypot(this.positions[3 * n]! - local.x, this.positions[3 * n + 1]! - local.y, this.positions[3 * n + 2]! - local.z);
      if (away < best) [best, found] = [away, n];
    }
    return [this.pixels[2 * found]!, this.pixels[2 * found + 1]!];
  }

  private placeOf([u, v]: Point): Vector3 | null {
    const [w, h] = this.head.size;
    const [cu, cv] = [Math.round(u), Math.round(v)];
    for (let reach = 0; reach <= 4; reach++)
      for (let dv = -reach; dv <= reach; dv++)
        for (let du = -reach; du <= reach; du++) {
          if (Math.max(Math.abs(du), Math.abs(dv)) !== reach) continue;
          const [x, y] = [cu + du, cv + dv];
          if (x < 0 || y < 0 || x >= w || y >= h) continue;
          const n = this.vertexAt[y * w + x]!;
          if (n >= 0) return new Vector3(this.positions[3 * n]!, -this.positions[3 * n + 1]!, -this.positions[3 * n + 2]!);
        }
    return null;
  }

  private ask(moving: boolean): void {
    if (moving) {
      clearTimeout(this.rest);
      this.rest = window.setTimeout(() => {
        this.rest = 0;
        this.ask(false);
      }, 220);
    }
    if (this.asked) return;
    this.asked = requestAnimationFrame(() => {
      this.asked = 0;
      this.camera.updateMatrixWorld();
      this.coarse.visible = this.rest !== 0;
      this.fine.visible = this.rest === 0;
      this.renderer.render(this.scene, this.camera);
      this.seen();
    });
  }

  close(): void {
    cancelAnimationFrame(this.asked);
    clearTimeout(this.rest);
    this.fine.geometry.dispose();
    this.coarse.geometry.dispose();
    this.material.dispose();
    this.renderer.dispose();
  }
}

function tableOf(colour: (share: number) => [number, number, number] | null): DataTexture {
  const size = 512;
  const data = new Uint8Array(4 * size);
  for (let n = 0; n < size; n++) {
    const rgb = colour((n + 0.5) / size);
    if (rgb) data.set([rgb[0], rgb[1], rgb[2], 255], 4 * n);
  }
  const made = new DataTexture(data, size, 1, RGBAFormat);
  made.magFilter = made.minFilter = LinearFilter;
  made.needsUpdate = true;
  return made;
}
