import assert from "node:assert/strict";
import { mkdtempSync, mkdirSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { test } from "node:test";
import { importsOf, pageFaults, roomFaults } from "../rooms.mjs";

const ROOMS = { low: [], high: ["low"] };

/** What is found wrong with a folder of these modules. */
function faultsOf(modules: Record<string, string>, rooms: Record<string, string[]> = ROOMS): string[] {
  const folder = mkdtempSync(join(tmpdir(), "rooms-"));
  try {
    for (const [name, source] of Object.entries(modules)) {
      mkdirSync(dirname(join(folder, name)), { recursive: true });
      writeFileSync(join(folder, name), source);
    }
    return roomFaults(importsOf(folder), rooms);
  } finally {
    rmSync(folder, { recursive: true });
  }
}

const GOOD = {
  "low/a.ts": "export const a = 1;",
  "high/b.ts": 'import { a } from "../low/a";\nexport const b = a;',
  "main.ts": 'import "./high/b";\nimport "./style.css";',
};

test("the page's own rooms are kept", () => {
  assert.deepEqual(pageFaults("."), []);
});

test("what is allowed is not found fault with", () => {
  assert.deepEqual(faultsOf(GOOD), []);
});

test("an import against the way is found, of types alone and over several lines too", () => {
  for (const source of [
    'import { b } from "../high/b";',
    'import type { B } from "../high/b";',
    'import {\n  b,\n  type B,\n} from "../high/b";',
    'export * from "../high/b";',
    'type B = import("../high/b").B;',
  ]) {
    assert.ok(faultsOf({ ...GOOD, "low/a.ts": source }).includes("low/a may not import high/b"), source);
  }
});

test("a cycle is found, within a room and of types too", () => {
  const faults = faultsOf({
    ...GOOD,
    "low/a.ts": 'import type { C } from "./c";\nexport const a = 1;',
    "low/c.ts": 'import { a } from "./a";\nexport type C = typeof a;',
  });
  assert.deepEqual(faults, ["modules import each other: low/a -> low/c -> low/a"]);
});

test("a cycle of rooms is found, even where the table allows it", () => {
  const modules = { ...GOOD, "low/d.ts": 'import { e } from "../high/e";', "high/e.ts": "export const e = 1;" };
  assert.deepEqual(
    faultsOf(modules, { low: ["high"], high: ["low"] }).filter((fault) => fault.startsWith("rooms")).length,
    1,
  );
});

test("a room that is not in the table, one without modules, one too full, and an import of nothing are found", () => {
  assert.match(faultsOf({ ...GOOD, "attic/x.ts": "" }).join(), /attic is no room/);
  assert.match(faultsOf({ ...GOOD, "main.ts": 'import "./high/gone";' }).join(), /high\/gone, which is not there/);
  assert.match(faultsOf(GOOD, { ...ROOMS, cellar: [] }).join(), /cellar, which has no modules/);
  const many = Object.fromEntries(Array.from({ length: 13 }, (_, n) => [`low/m${n}.ts`, ""]));
  assert.match(faultsOf({ ...GOOD, ...many }).join(), /low holds 14 modules/);
});
