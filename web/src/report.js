// The page of a run: tables in pages, and a map where the run has one.
import DataTable from 'datatables.net-dt';
import {byId} from './elements.js';
import 'datatables.net-dt/css/dataTables.dataTables.min.css';
import './report.css';

const PAGED_ABOVE = 12; // rows

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
window.addEventListener('beforeprint', () => {
  opened = [...document.querySelectorAll('details.more:not([open])')];
  for (const list of opened) list.open = true;
  relayout(-1);
});
window.addEventListener('afterprint', () => {
  for (const list of opened) list.open = false;
  relayout(PAGED_ABOVE);
});

document.documentElement.dataset.ready = 'true';
