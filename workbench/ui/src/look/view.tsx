import type { JSX } from "preact";
import { Frame } from "../app";
export function LookView({ identity }: { identity: string; sha256: string }): JSX.Element {
  return <Frame way={[{ words: identity }]}><main class="page" /></Frame>;
}
