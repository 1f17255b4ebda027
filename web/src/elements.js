// Elements of the page.
export const byId = (id) => document.getElementById(id);

export function element(tag, text = '', name = '') {
  const made = document.createElement(tag);
  made.textContent = text;
  if (name) made.className = name;
  return made;
}

export function keyed(title, colour) {
  const line = element('div', title);
  const key = element('span', '', 'key');
  key.style.background = colour;
  line.prepend(key);
  return line;
}
