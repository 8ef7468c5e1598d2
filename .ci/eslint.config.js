import js from "@eslint/js";
import globals from "globals";

export default [
  { ignores: ["**/.venv/**", "**/node_modules/**", "build/**", "dist/**"] },
  js.configs.recommended,
  {
    files: ["**/*.js"],
    languageOptions: {
      sourceType: "module",
      globals: { ...globals.browser, ...globals.serviceworker, L: "readonly" },
    },
    rules: {
      eqeqeq: "error",
      "max-len": ["error", { code: 100 }],
      "no-undef": "error",
      "no-unused-vars": "error",
      "no-var": "error",
      "prefer-const": "error",
    },
  },
  { files: ["**/.ci/*.js"], languageOptions: { globals: globals.node } },
];
