// Write the licences of all bundled packages into one file that ships with the bundle.
import {readFileSync, readdirSync, writeFileSync} from 'node:fs';

const lock = JSON.parse(readFileSync('package-lock.json', 'utf8'));
const texts = [];
for (const [path, entry] of Object.entries(lock.packages)) {
  if (!path || entry.dev) continue;
  const name = path.replace(/^.*node_modules\//, '');
  const file = readdirSync(path).find((f) => /^licen[cs]e/i.test(f));
  const text = file ? readFileSync(`${path}/${file}`, 'utf8').trim() : '';
  texts.push(`${name} ${entry.version}: ${entry.license}\n${text}\n`);
}
writeFileSync('../shelterscape/data/report/licences.txt', texts.join('\n' + '-'.repeat(72) + '\n'));
