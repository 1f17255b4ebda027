// The page of a run: tables in pages, and a map where the run has one.
import DataTable from 'datatables.net-dt';
import {byId} from './elements.js';
import 'datatables.net-dt/css/dataTables.dataTables.min.css';
import './report.css';

const PAGED_ABOVE = 12; // rows
const STACKED_ABOVE = {A4: 14, A3: 28}; // columns

const map = byId('map') ? await import('./map.js') : null;

const tables = [...document.querySelectorAll('table.data')].map((table) => {
  if (table.tBodies[0].rows.length <= PAGED_ABOVE) return null;
  return new DataTable(table, {pageLength: PAGED_ABOVE, order: [], autoWidth: false});
});

// Printed tables have all their rows, and lists are printed whole.
let opened = [];
function relayout(rows) {
  tables.forEach((table) => table?.page.len(rows).draw());
  map?.relayout(rows < 0);
}

// Rows of a table that is wider than the paper are printed as lists.
function stack(table) {
  const heads = [...table.tHead.rows[0].cells].map((cell) => cell.textContent);
  const stacked = heads.length > STACKED_ABOVE[byId('paper').value];
  table.classList.toggle('stacked', stacked);
  if (!stacked) return;
  for (const row of table.tBodies[0].rows) {
    for (const [i, cell] of [...row.cells].entries()) cell.dataset.title = heads[i];
  }
}

window.addEventListener('beforeprint', () => {
  opened = [...document.querySelectorAll('details.more:not([open])')];
  for (const list of opened) list.open = true;
  relayout(-1);
  document.querySelectorAll('details[open] table.data').forEach(stack);
});
window.addEventListener('afterprint', () => {
  for (const list of opened) list.open = false;
  relayout(PAGED_ABOVE);
});

document.documentElement.dataset.ready = 'true';
