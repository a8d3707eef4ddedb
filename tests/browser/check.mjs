// Opens reports in a browser and fails on: a console message, a request, a dialog, a page wider than the window, anything
// that the accessibility checker finds, at three widths, light and dark, in print, and without scripts; and on plots that
// do not answer to keyboard and mouse.
//
// node check.mjs [--shots FOLDER] PAGE.html …        the browser: $CHROMIUM, or chromium on the path

import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const WIDTHS = [360, 1024, 1920];

const given = process.argv.slice(2);
const shots = given[0] === "--shots" ? given.splice(0, 2)[1] : null;
if (given.length === 0) {
  console.error("which page? node check.mjs [--shots FOLDER] PAGE.html …");
  process.exit(2);
}
if (shots) mkdirSync(shots, { recursive: true });

const faults = [];
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

// Opens a page and watches it while `look` does its work.
const visit = async (file, name, settings, look) => {
  const address = pathToFileURL(resolve(file)).href;
  const context = await browser.newContext({ viewport: { width: 1024, height: 800 }, ...settings });
  const page = await context.newPage();
  const fault = (words) => faults.push(`${basename(file)}, ${name}: ${words}`);
  page.on("console", (message) => fault(`console: ${message.text()}`));
  page.on("pageerror", (error) => fault(`error: ${error.message}`));
  page.on("dialog", (dialog) => { fault(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  page.on("popup", () => fault("a window opened"));
  await context.route("**/*", (route) => {
    if (route.request().url() === address) return route.continue();
    fault(`request: ${route.request().url()}`);
    return route.abort();
  });
  await page.goto(address);
  await look(page, fault);
  if (shots) {
    const fullPage = (await page.evaluate(() => document.documentElement.scrollHeight)) < 12_000;
    await page.screenshot({ path: join(shots, `${basename(file, ".html")}-${name}.png`), fullPage });
  }
  if (page.url().split("#")[0] !== address) fault(`it went to ${page.url()}`);
  await context.close();
};

const accessible = async (page, fault) => {
  await page.evaluate(AXE);
  const result = await page.evaluate((tags) => axe.run(document, { runOnly: tags, preload: false }), TAGS);
  for (const { id, help, nodes } of result.violations) {
    fault(`${id}: ${help}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(" | ")}`);
  }
  if (result.passes.length < 10) fault(`the accessibility checker looked at ${result.passes.length} rules only`);
  const over = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  if (over > 0) fault(`${over} pixels wider than the window`);
};

const plots = async (page, fault) => {
  const area = page.locator("#plots .area").first();
  if ((await area.count()) === 0) return;
  const seen = () => page.evaluate(() => ({
    boxes: [...document.querySelectorAll("#plots svg")].map((svg) => svg.getAttribute("viewBox")),
    words: document.querySelector(".tools output").textContent,
  }));
  const whole = await seen();
  await area.focus();
  await page.keyboard.press("+");
  await page.keyboard.press("ArrowRight");
  const near = await seen();
  if (near.boxes.some((box) => box === whole.boxes[0])) fault("the key + does not enlarge every plot");
  if (near.words === whole.words || !/km\/h|\d/.test(near.words)) fault("the arrow keys read nothing");
  await page.keyboard.press("Home");
  if ((await seen()).boxes[0] !== whole.boxes[0]) fault("the key Home does not show the whole drive");
  await area.scrollIntoViewIfNeeded();
  const edges = await area.boundingBox();
  const height = edges.y + edges.height / 2;
  await page.mouse.move(edges.x + edges.width * 0.2, height);
  await page.mouse.down();
  await page.mouse.move(edges.x + edges.width * 0.4, height, { steps: 4 });
  await page.mouse.up();
  const dragged = await seen();
  const width = Number(dragged.boxes[0].split(" ")[2]);
  if (!(width > 1500 && width < 2500)) fault(`dragging over a fifth shows ${width} of 10000`);
  if (shots) await page.locator("#wheels").screenshot({ path: join(shots, "zoomed.png") });
};

try {
  for (const file of given) {
    for (const width of WIDTHS) {
      for (const colorScheme of ["light", "dark"]) {
        const settings = { viewport: { width, height: 800 }, colorScheme };
        await visit(file, `${width}-${colorScheme}`, settings, accessible);
      }
    }
    await visit(file, "print", { colorScheme: "dark" }, async (page, fault) => {
      await page.emulateMedia({ media: "print" });
      await accessible(page, fault);
      for (const format of ["A4", "Letter"]) {
        const pdf = await page.pdf({ format, preferCSSPageSize: true, ...(shots ? { path: join(shots, `${basename(file, ".html")}-${format}.pdf`) } : {}) });
        if (pdf.length < 5000) fault(`printed on ${format} it is empty`);
      }
    });
    await visit(file, "no-script", { javaScriptEnabled: false }, async (page, fault) => {
      for (const area of await page.locator("#plots svg").all()) {
        const box = await area.boundingBox();
        if (!box || box.width < 200 || box.height < 80) fault("a plot is not drawn without scripts");
      }
      if ((await page.locator("h1").count()) !== 1) fault("not one main heading");
    });
    await visit(file, "plots", {}, plots);
    console.log(`${basename(file)}: looked at`);
  }
} finally {
  await browser.close();
}
if (faults.length > 0) {
  console.error(faults.join("\n"));
  process.exit(1);
}
