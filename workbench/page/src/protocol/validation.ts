// Shapes of data that comes from outside: each says what is wrong with a value, and is the source of its type.
//
// A shape is a function from a value and its path to a fault in words, "" for none. Objects may hold more than their
// shape names, so that a server may tell more than this page reads; a value that fits is used as it is, not copied.

export interface Shape<T> {
  (value: unknown, path: string): string;
  /** Never there: it carries the type. */
  readonly type?: T;
}

/** A field of an object that may be left out. */
export interface OptionalShape<T> extends Shape<T> {
  readonly optional: true;
}

/** The type of what fits a shape. */
export type TypeOf<S> = S extends Shape<infer T> ? T : never;

type AnyShape = Shape<unknown>;
type Fields = Readonly<Record<string, AnyShape>>;
type OptionalKeys<F extends Fields> = { [K in keyof F]: F[K] extends OptionalShape<unknown> ? K : never }[keyof F];
type Flat<T> = { [K in keyof T]: T[K] };
type ObjectOf<F extends Fields> = Flat<
  { -readonly [K in Exclude<keyof F, OptionalKeys<F>>]: TypeOf<F[K]> } & {
    -readonly [K in OptionalKeys<F>]?: TypeOf<F[K]>;
  }
>;

const kindOf = (value: unknown): string => (value === null ? "null" : Array.isArray(value) ? "a list" : typeof value);

const wrong = (path: string, wanted: string, value: unknown): string =>
  `${path || "it"} must be ${wanted} (got ${kindOf(value)})`;

const isObject = (value: unknown): value is Record<string, unknown> =>
  typeof value === "object" && value !== null && !Array.isArray(value);

function check<T>(fits: (value: unknown) => boolean, wanted: string): Shape<T> {
  return (value, path) => (fits(value) ? "" : wrong(path, wanted, value));
}

export const text = check<string>((value) => typeof value === "string", "text");
export const numeric = check<number>((value) => typeof value === "number" && Number.isFinite(value), "a finite number");
export const flag = check<boolean>((value) => typeof value === "boolean", "true or false");
export const anything: Shape<unknown> = () => "";

/** One of a few words. */
export const oneOf = <const W extends string>(...words: W[]): Shape<W> =>
  check((value) => words.includes(value as W), `one of ${words.join(", ")}`);

export const nullable =
  <T>(shape: Shape<T>): Shape<T | null> =>
  (value, path) =>
    value === null ? "" : shape(value, path);

export function optional<T>(shape: Shape<T>): OptionalShape<T> {
  const check = (value: unknown, path: string) => (value === undefined ? "" : shape(value, path));
  return Object.assign(check, { optional: true } as const);
}

/** The first fault among a value's members. */
function firstFault(
  members: Iterable<readonly [string | number, unknown]>,
  of: (key: string | number) => AnyShape,
  path: string,
): string {
  for (const [key, member] of members) {
    const fault = of(key)(member, path ? `${path}.${key}` : String(key));
    if (fault) return fault;
  }
  return "";
}

export const list =
  <T>(shape: Shape<T>): Shape<T[]> =>
  (value, path) =>
    Array.isArray(value) ? firstFault(value.entries(), () => shape, path) : wrong(path, "a list", value);

/** A list of so many values, each of the same shape. */
export const pair = <T>(shape: Shape<T>): Shape<[T, T]> => several<T, [T, T]>(shape, 2);
export const triple = <T>(shape: Shape<T>): Shape<[T, T, T]> => several<T, [T, T, T]>(shape, 3);

function several<T, L extends T[]>(shape: Shape<T>, count: number): Shape<L> {
  return (value, path) =>
    Array.isArray(value) && value.length === count
      ? firstFault(value.entries(), () => shape, path)
      : wrong(path, `a list of ${count}`, value);
}

/** An object of any names whose values are of one shape. */
export const dictionary =
  <T>(shape: Shape<T>): Shape<Record<string, T>> =>
  (value, path) =>
    isObject(value) ? firstFault(Object.entries(value), () => shape, path) : wrong(path, "an object", value);

/** An object with a value of one shape for each of these names. */
export const record = <const K extends string, T>(keys: readonly K[], shape: Shape<T>): Shape<Record<K, T>> =>
  object(Object.fromEntries(keys.map((key) => [key, shape]))) as Shape<Record<K, T>>;

export function object<const F extends Fields>(fields: F): Shape<ObjectOf<F>> {
  const names = Object.keys(fields);
  return (value, path) =>
    isObject(value)
      ? firstFault(
          names.map((name) => [name, value[name]] as const),
          (name) => fields[name] ?? anything,
          path,
        )
      : wrong(path, "an object", value);
}

/** What fits both shapes. */
export const both =
  <A, B>(first: Shape<A>, second: Shape<B>): Shape<A & B> =>
  (value, path) =>
    first(value, path) || second(value, path);

/** What fits one shape at least; the fault reported is that of the first. */
export const either =
  <A, B>(first: Shape<A>, second: Shape<B>): Shape<A | B> =>
  (value, path) =>
    first(value, path) && second(value, path) ? first(value, path) : "";

/** Is the value of the shape? */
export const fits = <T>(shape: Shape<T>, value: unknown): value is T => shape(value, "") === "";

/** Data from outside that is not what it should be. */
export class MalformedData extends Error {}

/** The value, known to be of the shape; raises MalformedData, which names `source` and the first fault. */
export function checked<T>(shape: Shape<T>, value: unknown, source: string): T {
  const fault = shape(value, "");
  if (fault)
    throw new MalformedData(
      `${source} cannot be read: ${fault}. Reload the page; page and server may be of two versions.`,
    );
  return value as T;
}
