// Rasters: pictures of grey codes, coloured here, so that one picture holds values and colours.
import ImageStatic from 'ol/source/ImageStatic.js';
import {byId, element, keyed} from './elements.js';

function colourOf(raster, code) {
  if (raster.classes) return raster.classes[code - 1]?.colour ?? '#ffffff';
  const value = valueOf(raster, code);
  const {stops} = raster;
  let k = 1;
  while (k < stops.length - 1 && value > stops[k][0]) k += 1;
  const [[low, from], [high, to]] = [stops[k - 1], stops[k]];
  const share = Math.min(1, Math.max(0, (value - low) / (high - low)));
  const part = (c) => Math.round(channel(from, c) + (channel(to, c) - channel(from, c)) * share);
  return `#${[0, 1, 2].map((c) => part(c).toString(16).padStart(2, '0')).join('')}`;
}

const channel = (colour, c) => parseInt(colour.slice(1 + 2 * c, 3 + 2 * c), 16);
export const valueOf = (raster, code) => raster.low + ((raster.high - raster.low) * (code - 1)) / 254;

const decoded = {};

export async function decode(raster, band, projection) {
  const key = `${raster.name} ${band}`;
  if (decoded[key]) return decoded[key];
  const image = new Image();
  image.src = raster.bands[band].picture;
  await image.decode();
  const canvas = document.createElement('canvas');
  [canvas.width, canvas.height] = [image.width, image.height];
  const context = canvas.getContext('2d', {willReadFrequently: true});
  context.drawImage(image, 0, 0);
  const pixels = context.getImageData(0, 0, canvas.width, canvas.height);
  const table = Array.from({length: 256}, (_, code) => {
    const colour = code ? colourOf(raster, code) : '#ffffff';
    return [0, 1, 2].map((c) => channel(colour, c));
  });
  const codes = new Uint8Array(pixels.data.length / 4);
  for (let i = 0; i < codes.length; i += 1) {
    codes[i] = pixels.data[4 * i];
    pixels.data.set(table[codes[i]], 4 * i);
    pixels.data[4 * i + 3] = codes[i] ? 255 : 0;
  }
  context.putImageData(pixels, 0, 0);
  const url = URL.createObjectURL(await new Promise((done) => canvas.toBlob(done)));
  const source = new ImageStatic({url, imageExtent: raster.extent, projection, interpolate: false});
  decoded[key] = {codes, width: canvas.width, height: canvas.height, source};
  return decoded[key];
}

export function legendOf(raster) {
  const legend = byId('raster-legend');
  legend.replaceChildren();
  if (!raster) return;
  if (raster.classes) {
    for (const one of raster.classes) legend.append(keyed(one.title, one.colour));
    return;
  }
  const ramp = element('div', '', 'ramp');
  const at = (v) => (100 * (v - raster.low)) / (raster.high - raster.low);
  ramp.style.background = `linear-gradient(to right, ${raster.stops.map(([v, c]) => `${c} ${at(v)}%`)})`;
  const ends = element('div', '', 'ends');
  ends.append(element('span', raster.ends[0]), element('span', raster.ends[1]));
  legend.append(element('div', raster.title), ramp, ends);
}
