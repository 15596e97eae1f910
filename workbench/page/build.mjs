// Checks rooms and types, then bundles the page (page.js) and the report's viewer (viewer.js) with their style and markup
// into dist, which travels in the wheel. `node build.mjs --quick` leaves the types out.
import { spawnSync } from "node:child_process";
import { cpSync, mkdirSync, rmSync } from "node:fs";
import { build } from "esbuild";
import { pageFaults } from "./rooms.mjs";

const faults = pageFaults(".");
if (faults.length) {
  console.error(`The rooms of src are not kept (rooms.json):\n${faults.join("\n")}`);
  process.exit(1);
}

if (!process.argv.includes("--quick")) {
  const checked = spawnSync(process.execPath, ["node_modules/typescript/bin/tsc"], { stdio: "inherit" });
  if (checked.status !== 0) process.exit(checked.status ?? 1);
}
const out = process.env.PAGE_OUT ?? "dist";
rmSync(out, { recursive: true, force: true });
mkdirSync(out, { recursive: true });
await build({
  entryPoints: { page: "src/main.ts", viewer: "src/viewer.ts" },
  outdir: out,
  bundle: true,
  minify: true,
  format: "iife",
  target: "es2022",
  legalComments: "eof",
  charset: "utf8",
});
await build({ entryPoints: { page: "src/page.css" }, outdir: out, bundle: true, minify: true, charset: "utf8" });
cpSync("src/page.html", `${out}/page.html`);
