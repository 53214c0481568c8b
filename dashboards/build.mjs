// Bundles the pages into built/ and writes the manifest by which the web server knows what each page needs. The folder is
// emptied first, except for the placeholder that lets the Go package compile where nothing was built.
import { build } from "esbuild";
import { createHash } from "node:crypto";
import { mkdir, readFile, readdir, rm, writeFile } from "node:fs/promises";
import { basename } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";

const here = fileURLToPath(new URL(".", import.meta.url));
const out = here + "built";
const pages = ["now", "today", "trend", "alarms", "sensors", "wall", "humidity", "year", "try"];

await mkdir(out, { recursive: true });
for (const name of await readdir(out)) {
  if (name !== ".keep") await rm(`${out}/${name}`, { recursive: true });
}

const result = await build({
  absWorkingDir: here,
  entryPoints: [...pages.map((page) => `src/${page}.ts`), "src/style.css"],
  outdir: out,
  entryNames: "[name]-[hash]",
  chunkNames: "shared-[hash]",
  bundle: true,
  splitting: true,
  format: "esm",
  target: ["es2022", "chrome105", "firefox110", "safari16"],
  minify: true,
  metafile: true,
  legalComments: "none",
  logLevel: "warning",
});

// The licences of the packages that ended up in the bundles go with them.
const contained = new Set();
for (const input of Object.keys(result.metafile.inputs)) {
  const found = input.match(/^(?:.*\/)?node_modules\/((?:@[^/]+\/)?[^/]+)\//);
  if (found) contained.add(found[1]);
}
let notice = "These pages contain the following packages.\n";
for (const name of [...contained].sort()) {
  const folder = `${here}node_modules/${name}`;
  const { version, license } = JSON.parse(await readFile(`${folder}/package.json`, "utf8"));
  const file = (await readdir(folder)).find((entry) => /^(licen[cs]e|copying)/i.test(entry));
  if (!file) throw new Error(`${name} brings no text of its licence`);
  notice += `\n${name} ${version} (${license})\n\n${(await readFile(`${folder}/${file}`, "utf8")).trim()}\n`;
}
const noticeName = `notice-${createHash("sha256").update(notice).digest("hex").slice(0, 8)}.txt`;
await writeFile(`${out}/${noticeName}`, notice);

const manifest = { styles: [], pages: {}, notice: noticeName };
for (const [path, output] of Object.entries(result.metafile.outputs)) {
  if (!output.entryPoint) continue;
  const entry = basename(output.entryPoint).replace(/\.\w+$/, "");
  if (path.endsWith(".css")) {
    if (output.entryPoint.endsWith(".css")) manifest.styles.push(basename(path));
    continue;
  }
  if (!pages.includes(entry)) continue; // loaded by a page when it is needed
  const imports = new Set();
  const follow = (name) => {
    for (const { path, kind } of result.metafile.outputs[name].imports) {
      if (kind === "import-statement" && !imports.has(path)) {
        imports.add(path);
        follow(path);
      }
    }
  };
  follow(path);
  // A page may have styles of its own, which no other page loads.
  manifest.pages[entry] = [path, ...imports, ...(output.cssBundle ? [output.cssBundle] : [])].map((name) => basename(name));
}
for (const page of pages) {
  if (!manifest.pages[page]) throw new Error(`no bundle came out for the page ${page}`);
}

// Browsers are sent the files as they are kept in the program: compressed.
for (const name of await readdir(out)) {
  if (name === ".keep") continue;
  await writeFile(`${out}/${name}.gz`, gzipSync(await readFile(`${out}/${name}`), { level: 9 }));
  await rm(`${out}/${name}`);
}
await writeFile(`${out}/manifest.json`, JSON.stringify(manifest, null, 2) + "\n");
