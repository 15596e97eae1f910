// Does this browser draw slowly? A few pictures are drawn and timed before the page's own: names of renderers may be hidden
// or new, and what counts is how long a picture takes.

/** The picture drawn: its edge, and the rounds of arithmetic for each of its points. */
const [EDGE_PX, ROUNDS] = [256, 128];

/** Pictures drawn: the first also pays for the shader, the others are timed. */
const PICTURES = 4;

/** A picture that takes longer than this is drawn slowly, ms. Two processor cores took 34 (measured); the picture's 84
 * million operations take a small graphics processor of 300 thousand million a second a third of one, and the waiting. */
export const SLOW_MS = 4;

const CORNERS = `#version 300 es
void main() { gl_Position = vec4(gl_VertexID == 1 ? 3 : -1, gl_VertexID == 2 ? 3 : -1, 0, 1); }`;

const SHADE = `#version 300 es
precision highp float;
out vec4 colour;
void main() {
  vec3 p = gl_FragCoord.xyz;
  for (int i = 0; i < ${ROUNDS}; i++) p = fract(p.yzx * 1.7 + sin(p));
  colour = vec4(p, 1);
}`;

/** By times of some pictures, ms, the first of them not counted: was the quickest slow? */
export function isSlow(times_ms: readonly number[]): boolean {
  // the quickest: a computer that is busy for a moment is not slow
  return Math.min(...times_ms.slice(1)) > SLOW_MS;
}

/** The times of some pictures, ms; none where nothing can be drawn. */
export function pictureTimes(context: WebGL2RenderingContext, now = () => performance.now()): number[] {
  const program = linked(context);
  if (!program) return [];
  context.viewport(0, 0, EDGE_PX, EDGE_PX);
  context.useProgram(program);
  const point = new Uint8Array(4);
  return Array.from({ length: PICTURES }, () => {
    const begun_ms = now();
    context.drawArrays(context.TRIANGLES, 0, 3);
    // read back, so that it has been drawn and not only asked for
    context.readPixels(0, 0, 1, 1, context.RGBA, context.UNSIGNED_BYTE, point);
    return now() - begun_ms;
  });
}

/** Does this browser draw slowly? Tried on a context of its own, for edges cannot be chosen later. */
export function drawsSlowly(): boolean {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = EDGE_PX;
  const context = canvas.getContext("webgl2", { powerPreference: "high-performance" });
  const times_ms = context ? pictureTimes(context) : [];
  context?.getExtension("WEBGL_lose_context")?.loseContext();
  return times_ms.length > 1 && isSlow(times_ms);
}

function linked(context: WebGL2RenderingContext): WebGLProgram | null {
  const program = context.createProgram();
  for (const [kind, text] of [
    [context.VERTEX_SHADER, CORNERS],
    [context.FRAGMENT_SHADER, SHADE],
  ] as const) {
    const shader = context.createShader(kind);
    if (!shader) return null;
    context.shaderSource(shader, text);
    context.compileShader(shader);
    context.attachShader(program, shader);
  }
  context.linkProgram(program);
  return context.getProgramParameter(program, context.LINK_STATUS) ? program : null;
}
