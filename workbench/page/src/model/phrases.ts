// Fills the gaps of phrases; a gap that is left open, or a value that no gap asks for, is an error of types.

type GapsOf<P extends string> = P extends `${string}{${infer Name}}${infer Rest}` ? Name | GapsOf<Rest> : never;

/** The phrase with each "{name}" replaced by its value. */
export const filled = <P extends string>(phrase: P, values: Record<GapsOf<P>, string>): string =>
  phrase.replace(/\{(\w+)\}/g, (gap, name: string) => (values as Record<string, string>)[name] ?? gap);
