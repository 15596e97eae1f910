// What the linter holds the page's sources to, beside the types; layout is prettier's.
import eslint from "@eslint/js";
import tseslint from "typescript-eslint";

export default tseslint.config(
  { ignores: ["dist/", "build/", "src/model/phrases.generated.ts"] },
  eslint.configs.recommended,
  {
    files: ["**/*.mjs"],
    languageOptions: { globals: { console: "readonly", process: "readonly" } },
  },
  {
    files: ["**/*.ts"],
    extends: [tseslint.configs.strictTypeChecked],
    languageOptions: { parserOptions: { projectService: true, tsconfigRootDir: import.meta.dirname } },
    rules: {
      // an index into a typed array is known to be within it in loops that must stay fast
      "@typescript-eslint/no-non-null-assertion": "off",
      // numbers in templates are the rule in attributes and paths
      "@typescript-eslint/restrict-template-expressions": ["error", { allowNumber: true }],
      "@typescript-eslint/no-confusing-void-expression": [
        "error",
        { ignoreArrowShorthand: true, ignoreVoidReturningFunctions: true },
      ],
      // parts of the page are closures behind interfaces: their methods need no `this`
      "@typescript-eslint/unbound-method": "off",
      // an async function without await turns what it throws into a rejection
      "@typescript-eslint/require-await": "off",
      "@typescript-eslint/consistent-type-imports": "error",
      "no-restricted-syntax": [
        "error",
        {
          selector: "TSAsExpression > TSAsExpression",
          message: "A value of another type is checked (protocol/validation.ts), not asserted.",
        },
      ],
    },
  },
  {
    files: ["tests/**/*.ts"],
    rules: {
      // the runner awaits the tests itself
      "@typescript-eslint/no-floating-promises": [
        "error",
        { allowForKnownSafeCalls: [{ from: "package", name: ["test"], package: "node:test" }] },
      ],
    },
  },
);
