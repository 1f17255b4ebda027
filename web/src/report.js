// The page of a run: a map in the run's own coordinate system, and tables linked to it.
import Map from 'ol/Map.js';
import View from 'ol/View.js';
import Projection from 'ol/proj/Projection.js';
import ImageLayer from 'ol/layer/Image.js';
import ImageStatic from 'ol/source/ImageStatic.js';
import VectorLayer from 'ol/layer/Vector.js';
import VectorSource from 'ol/source/Vector.js';
import GeoJSON from 'ol/format/GeoJSON.js';
import ScaleLine from 'ol/control/ScaleLine.js';
import {defaults as controls} from 'ol/control/defaults.js';
import {Circle, Fill, Stroke, Style, Text} from 'ol/style.js';
import DataTable from 'datatables.net-dt';
import 'ol/ol.css';
import 'datatables.net-dt/css/dataTables.dataTables.min.css';
import './report.css';

const PAGED_ABOVE = 12; // rows
const data = JSON.parse(document.getElementById('data').textContent);
const byId = (id) => document.getElementById(id);
const projection = new Projection({code: data.crs, units: 'm', extent: data.extent});

// ---- rasters: grey codes, coloured here, so that one picture holds values and colours

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
const valueOf = (raster, code) => raster.low + ((raster.high - raster.low) * (code - 1)) / 254;

const decoded = {};

async function decode(raster, band) {
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

const rasterLayer = new ImageLayer({opacity: 0.85});
let shown = null;

async function showRaster() {
  const [name, band] = byId('raster').value.split('|');
  const raster = data.rasters.find((r) => r.name === name);
  rasterLayer.setVisible(Boolean(raster));
  shown = raster ? {raster, ...(await decode(raster, Number(band)))} : null;
  if (shown) rasterLayer.setSource(shown.source);
  legendOf(raster);
}

function legendOf(raster) {
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

function element(tag, text = '', name = '') {
  const made = document.createElement(tag);
  made.textContent = text;
  if (name) made.className = name;
  return made;
}

function keyed(title, colour) {
  const line = element('div', title);
  const key = element('span', '', 'key');
  key.style.background = colour;
  line.prepend(key);
  return line;
}

// ---- layers: the same rules as in the style files

const TESTS = {
  '=': (a, b) => a === b, '<': (a, b) => a < b, '<=': (a, b) => a <= b,
  '>': (a, b) => a > b, '>=': (a, b) => a >= b,
};

function meets(feature, [column, operator, value, other]) {
  const found = feature.get(column);
  const missing = found === null || found === undefined;
  if (operator === 'empty') return missing;
  const right = other ? feature.get(other) : value;
  return !missing && right !== null && right !== undefined && TESTS[operator](found, right);
}

const meetsAll = (feature, conditions) => conditions.every((c) => meets(feature, c));

function styleOf(layer) {
  const made = layer.rules.map(({colour}) => {
    const fill = new Fill({color: `${colour}${layer.hatched ? '33' : 'aa'}`});
    const outline = layer.shape === 'line' ? {color: colour, width: 3} : {color: '#22222288', width: 0.7};
    const stroke = new Stroke(layer.hatched ? {color: colour, width: 1, lineDash: [3, 3]} : outline);
    return new Style({
      fill, stroke: layer.shape === 'polygon' && !layer.outlined ? undefined : stroke,
      image: new Circle({radius: 5, fill, stroke}),
    });
  });
  const label = new Text({
    font: '12px system-ui, sans-serif', overflow: true, fill: new Fill({color: '#222'}),
    stroke: new Stroke({color: '#fff', width: 3}),
  });
  return (feature) => {
    const wanted = layer.cases.length ? layer.cases[layer.shown] : null;
    if (wanted && !meetsAll(feature, wanted.conditions)) return null;
    const i = layer.rules.findIndex((rule) => meetsAll(feature, rule.conditions));
    if (i < 0) return null;
    const style = feature === chosen ? CHOSEN : made[i];
    if (!layer.label) return style;
    label.setText(String(feature.get(layer.label) ?? ''));
    style.setText(label);
    return style;
  };
}

const CHOSEN = new Style({
  fill: new Fill({color: '#b5561f66'}), stroke: new Stroke({color: '#b5561f', width: 5}),
  image: new Circle({radius: 7, fill: new Fill({color: '#b5561f'})}),
});
let chosen = null;

async function unpacked(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).json();
}

async function vectorLayerOf(layer) {
  const features = new GeoJSON().readFeatures(await unpacked(layer.features));
  layer.shown = 0;
  const made = new VectorLayer({
    source: new VectorSource({features}), declutter: true, visible: layer.visible, style: styleOf(layer),
  });
  made.set('described', layer);
  return made;
}

const vectorLayers = await Promise.all(data.layers.map(vectorLayerOf));

// ---- the map

const view = new View({projection, extent: data.extent, showFullExtent: true, constrainOnlyCenter: true});
const map = new Map({
  target: 'map', layers: [rasterLayer, ...vectorLayers], view,
  controls: controls({attribution: false}).extend([new ScaleLine()]),
});
view.fit(data.focus, {padding: [30, 30, 30, 30]});

function choose(feature, layer, move) {
  chosen = feature;
  vectorLayers.forEach((one) => one.changed());
  byId('chosen').replaceChildren();
  if (!feature) return;
  const list = element('dl');
  for (const {name, title} of layer.get('described').columns) {
    const value = feature.get(name);
    if (value !== null && value !== undefined && value !== '') {
      list.append(element('dt', title), element('dd', String(value)));
    }
  }
  byId('chosen').append(element('h3', layer.get('described').title), list);
  if (move) {
    view.fit(feature.getGeometry(), {maxZoom: 30, padding: [90, 90, 90, 90], minResolution: 1});
    byId('map').scrollIntoView({block: 'nearest'});
  }
}

function valueAt([x, y]) {
  if (!shown) return 'no raster is shown';
  const [west, south, east, north] = shown.raster.extent;
  const col = Math.floor(((x - west) / (east - west)) * shown.width);
  const row = Math.floor(((north - y) / (north - south)) * shown.height);
  const inside = col >= 0 && row >= 0 && col < shown.width && row < shown.height;
  const code = inside ? shown.codes[row * shown.width + col] : 0;
  if (!code) return 'no value';
  if (shown.raster.classes) return shown.raster.classes[code - 1].title;
  return `${valueOf(shown.raster, code).toFixed(shown.raster.decimals)} ${shown.raster.unit}`;
}

map.on('pointermove', (event) => { byId('value').textContent = valueAt(event.coordinate); });
map.on('click', (event) => {
  byId('value').textContent = valueAt(event.coordinate);
  let hit = null;
  map.forEachFeatureAtPixel(event.pixel, (feature, layer) => { hit ??= [feature, layer]; }, {hitTolerance: 4});
  choose(...(hit ?? [null, null]), false);
});

// ---- controls

function layerControls() {
  // The uppermost layer of the map is the first of the list.
  for (const layer of vectorLayers.toReversed()) {
    const {heading, rules} = layer.get('described');
    const label = element('label', ` ${heading}`);
    const box = Object.assign(document.createElement('input'), {type: 'checkbox', checked: layer.getVisible()});
    const keys = element('div');
    if (rules.length > 1) keys.append(...rules.map((rule) => keyed(rule.title, rule.colour)));
    box.addEventListener('change', () => layer.setVisible(box.checked));
    const follow = () => { box.checked = layer.getVisible(); keys.hidden = !box.checked; };
    layer.on('change:visible', follow);
    follow();
    label.prepend(box);
    byId('layers').append(label, keys);
  }
}

function showCase() {
  const wanted = byId('case').value;
  for (const [i, layer] of data.layers.entries()) {
    const at = layer.cases.findIndex((one) => one.title === wanted);
    if (at >= 0) layer.shown = at;
    vectorLayers[i].changed();
  }
  const raster = byId('raster');
  const [name] = raster.value.split('|');
  const fitting = [...raster.options].find((o) => o.value.startsWith(`${name}|`) && o.dataset.band === wanted);
  if (fitting) raster.value = fitting.value;
  return showRaster();
}

byId('raster').addEventListener('change', showRaster);
byId('case')?.addEventListener('change', showCase);
byId('opacity').addEventListener('input', (event) => rasterLayer.setOpacity(Number(event.target.value)));
layerControls();

// ---- tables

const tables = [...document.querySelectorAll('table.data')].map((table) => {
  if (table.tBodies[0].rows.length <= PAGED_ABOVE) return null;
  return new DataTable(table, {pageLength: PAGED_ABOVE, order: [], autoWidth: false});
});
document.addEventListener('click', (event) => {
  const button = event.target.closest('button[data-layer]');
  if (!button) return;
  const layer = vectorLayers.find((one) => one.get('described').name === button.dataset.layer);
  const feature = layer.getSource().getFeatureById(Number(button.dataset.id));
  layer.setVisible(true);
  choose(feature, layer, true);
});
// A printed page has another width, and no second page of a table.
function relayout(rows) {
  const extent = view.calculateExtent();
  tables.forEach((table) => table?.page.len(rows).draw());
  map.updateSize();
  view.fit(extent);
  map.renderSync();
}
window.addEventListener('beforeprint', () => relayout(-1));
window.addEventListener('afterprint', () => relayout(PAGED_ABOVE));

await showRaster();
document.documentElement.dataset.ready = 'true';
