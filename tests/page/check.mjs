// Looks at pages in a real browser: node check.mjs [--shots DIR] PAGE.html …
//
// For phone and desktop, light and dark: the accessibility checker finds nothing, nothing is fetched, nothing is logged, the page
// is no wider than its window, and says the same with scripts off. On A4 paper: the text stays inside the sheet's width.
import { readFileSync, mkdirSync, writeFileSync } from 'node:fs';
import { basename, dirname, join, resolve } from 'node:path';
import { createRequire } from 'node:module';
import { pathToFileURL } from 'node:url';
import { browser, problems } from './browser.mjs';

const args = process.argv.slice(2);
const shots = args[0] === '--shots' ? args.splice(0, 2)[1] : null;
if (shots) mkdirSync(shots, { recursive: true });
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const windows = { phone: { width: 360, height: 780 }, desktop: { width: 1280, height: 900 } };

const chrome = await browser();
const found = problems();
for (const file of args) {
  const url = pathToFileURL(resolve(file)).href;
  const name = basename(dirname(resolve(file)));
  for (const [window, size] of Object.entries(windows)) {
    for (const scheme of ['light', 'dark']) {
      const where = `${name}, ${window}, ${scheme}`;
      const page = await chrome.newPage();
      await page.setViewport(size);
      await page.emulateMediaFeatures([{ name: 'prefers-color-scheme', value: scheme }]);
      page.on('request', (r) => { if (r.url() !== url && !r.url().startsWith('data:')) found.add(where, `fetches ${r.url()}`); });
      page.on('console', (m) => found.add(where, `logs: ${m.text()}`));
      page.on('pageerror', (e) => found.add(where, `throws: ${e.message}`));
      await page.goto(url);
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      if (wide > 0) found.add(where, `is ${wide} px wider than its window`);
      const text = await page.evaluate(() => document.body.innerText);
      // everything behind a fold is looked at as well
      await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
      await page.evaluate(axe);
      const result = await page.evaluate(() => globalThis.axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] }));
      for (const v of result.violations) found.add(where, `${v.id}: ${v.help}; ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(' | ')}`);
      if (result.passes.length < 10) found.add(where, 'the accessibility checker looked at next to nothing');
      if (shots) {
        await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = false; }));
        await page.screenshot({ path: join(shots, `${name}-${window}-${scheme}.png`), fullPage: true });
      }
      await page.close();
      const plain = await chrome.newPage();
      await plain.setViewport(size);
      await plain.setJavaScriptEnabled(false);
      await plain.goto(url);
      if ((await plain.evaluate(() => document.body.innerText)) !== text) found.add(where, 'says something else with scripts off');
      await plain.close();
    }
  }
  // paper: A4 less the page's own margins, at the 96 px an inch of CSS
  const page = await chrome.newPage();
  await page.setViewport({ width: Math.floor((210 - 24) / 25.4 * 96), height: 1000 });
  await page.emulateMediaType('print');
  await page.goto(url);
  const cut = await page.evaluate(() => [...document.querySelectorAll('table, svg, p, li, h1, h2')]
    .filter((e) => e.checkVisibility() && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map((e) => (e.closest('[aria-label]')?.getAttribute('aria-label') ?? e.textContent).slice(0, 60)));
  if (cut.length) found.add(`${name}, paper`, `is cut at the right: ${[...new Set(cut)].join(' | ')}`);
  const pdf = await page.pdf({ preferCSSPageSize: true });
  const sheets = (Buffer.from(pdf).toString('latin1').match(/\/Type\s*\/Page\b/g) ?? []).length;
  if (sheets < 1 || sheets > 12) found.add(`${name}, paper`, `takes ${sheets} sheets`);
  if (shots) writeFileSync(join(shots, `${name}.pdf`), pdf);
  console.log(`${name}: ${readFileSync(file).length} bytes, ${sheets} sheets of A4`);
  await page.close();
}
await chrome.close();
found.end();
