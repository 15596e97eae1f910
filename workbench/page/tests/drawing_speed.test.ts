import assert from "node:assert/strict";
import { test } from "node:test";
import { isSlow, pictureTimes, SLOW_MS } from "../src/pictures/drawing_speed";

test("the quickest picture after the first tells whether drawing is slow", () => {
  assert.equal(isSlow([80, 0.3, 40, 0.4]), false);
  assert.equal(isSlow([1, 30, 28, 45]), true);
  assert.equal(isSlow([0.1, SLOW_MS + 1, SLOW_MS + 2]), true);
});

test("every picture is drawn, waited for and timed", () => {
  const asked: string[] = [];
  let clock_ms = 0;
  const context = new Proxy(
    {},
    {
      get: (_, name) => (): unknown => {
        asked.push(String(name));
        // a picture is only asked for until it is read back
        if (name === "readPixels") clock_ms += 7;
        return {};
      },
    },
  ) as WebGL2RenderingContext;
  assert.deepEqual(
    pictureTimes(context, () => clock_ms),
    [7, 7, 7, 7],
  );
  assert.equal(asked.filter((name) => name === "drawArrays").length, 4);
});

test("where no program can be made nothing is timed", () => {
  const context = new Proxy(
    {},
    { get: (_, name) => (): unknown => (name === "getProgramParameter" ? false : {}) },
  ) as WebGL2RenderingContext;
  assert.deepEqual(pictureTimes(context), []);
});
