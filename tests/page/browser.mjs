// The browser, and the list of what is wrong.
import { existsSync } from 'node:fs';
import puppeteer from 'puppeteer-core';

/// A headless browser of the system; CHROMIUM names another.
export async function browser() {
  const known = [process.env.CHROMIUM, '/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'];
  const executablePath = known.find((p) => p && existsSync(p));
  if (!executablePath) throw new Error('no browser found: install chromium, or name one in CHROMIUM');
  return puppeteer.launch({
    executablePath,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
  });
}

/// Collects problems; `end` prints them and sets the exit code.
export function problems() {
  const list = [];
  return {
    add: (where, what) => list.push(`${where}: ${what}`),
    end: () => {
      for (const p of list) console.error(`✕ ${p}`);
      console.log(list.length ? `${list.length} problems` : 'no problems');
      process.exitCode = list.length ? 1 : 0;
    },
  };
}
