import { defineConfig } from "vite";

// No inlined assets: the content security policy allows files of the server only.
export default defineConfig({
  base: "/",
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  build: { assetsInlineLimit: 0, modulePreload: { polyfill: false }, target: "es2022", chunkSizeWarningLimit: 900 },
});
