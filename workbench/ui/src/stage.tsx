import type { JSX } from "preact";
import { Frame } from "./app";
export function StageView({ identity }: { identity: string; stage?: string | undefined }): JSX.Element {
  return <Frame way={[{ words: "Inspections", to: [] }, { words: identity }]}><main class="page" /></Frame>;
}
