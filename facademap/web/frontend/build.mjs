// Bundles the pages. Usage: node build.mjs DESK_FOLDER MAP_FOLDER [--watch]
import { mkdir, readdir, readFile, writeFile } from "node:fs/promises";
import path from "node:path";
import { fileURLToPath } from "node:url";
import esbuild from "esbuild";

const here = path.dirname(fileURLToPath(import.meta.url));
const args = process.argv.slice(2).filter((a) => !a.startsWith("--"));
const watch = process.argv.includes("--watch");
const desk = path.resolve(args[0] ?? path.join(here, "..", "static", "built"));
const map = path.resolve(args[1] ?? path.join(here, "..", "..", "report", "built"));

const shared = {
  absWorkingDir: here,
  bundle: true,
  charset: "utf8",
  format: "iife",
  jsx: "automatic",
  jsxImportSource: "preact",
  legalComments: "none",
  loader: { ".png": "dataurl", ".svg": "dataurl", ".woff2": "file", ".woff": "empty" },
  logLevel: "warning",
  metafile: true,
  minify: !watch,
  sourcemap: watch ? "inline" : false,
  target: ["chrome110", "firefox110", "safari16"],
};
const bundles = [
  {
    ...shared,
    entryPoints: { desk: "src/desk/main.jsx", service: "src/service/service.js" },
    outdir: desk,
    assetNames: "[name]",
  },
  { ...shared, entryPoints: { leaflet: "src/leaflet/leaflet.js" }, outdir: map },
];

/** Names of the packages whose files went into a bundle. */
function packagesIn(metafile) {
  const names = new Set();
  for (const input of Object.keys(metafile.inputs)) {
    const inner = input.split("node_modules/").at(-1);
    if (inner === input) continue;
    const parts = inner.split("/");
    names.add(parts[0].startsWith("@") ? parts.slice(0, 2).join("/") : parts[0]);
  }
  return [...names].sort();
}

/** Name, version, licence and licence text of every package in the bundle. */
async function licences(metafile) {
  const blocks = [];
  for (const name of packagesIn(metafile)) {
    const folder = path.join(here, "node_modules", name);
    const about = JSON.parse(await readFile(path.join(folder, "package.json"), "utf8"));
    const file = (await readdir(folder)).find((f) => /^(licen[cs]e|copying)/i.test(f));
    const text = file
      ? await readFile(path.join(folder, file), "utf8")
      : "(the package carries no licence text)";
    blocks.push(
      `${name} ${about.version}\nLicence: ${about.license ?? "not stated"}\n\n${text.trim()}\n`,
    );
  }
  return `Third-party code in this folder, listed when it was built.\n\n${blocks.join(`\n${"-".repeat(78)}\n\n`)}`;
}

for (const bundle of bundles) {
  await mkdir(bundle.outdir, { recursive: true });
  if (watch) {
    await (await esbuild.context(bundle)).watch();
    continue;
  }
  const { metafile } = await esbuild.build(bundle);
  await writeFile(path.join(bundle.outdir, "licences.txt"), await licences(metafile));
}
