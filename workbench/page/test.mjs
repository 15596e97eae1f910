// Runs the unit tests by node's own runner, each file bundled first, since the page's modules are TypeScript for browsers.
// `node test.mjs store geometry` runs the files whose names hold these words.
import { spawnSync } from "node:child_process";
import { readdirSync, rmSync } from "node:fs";
import { build } from "esbuild";

const OUT = "build/tests";

const wanted = process.argv.slice(2);
const names = readdirSync("tests").filter((name) => name.endsWith(".test.ts"));
const chosen = names.filter((name) => !wanted.length || wanted.some((word) => name.includes(word)));
if (!chosen.length) {
  console.error(`No test's name holds ${wanted.join(" or ")}.`);
  process.exit(1);
}
rmSync(OUT, { recursive: true, force: true });
await build({
  entryPoints: chosen.map((name) => `tests/${name}`),
  outdir: OUT,
  outExtension: { ".js": ".mjs" },
  bundle: true,
  platform: "node",
  format: "esm",
  target: "node20",
  sourcemap: "inline",
  logLevel: "warning",
});
const files = chosen.map((name) => `${OUT}/${name.replace(/ts$/, "mjs")}`);
const ran = spawnSync(process.execPath, ["--enable-source-maps", "--test", "--test-reporter=spec", ...files], {
  stdio: "inherit",
});
process.exit(ran.status ?? 1);
