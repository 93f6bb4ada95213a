// Dates come in UTC and are shown as it is where the page is looked at.
const form = new Intl.DateTimeFormat(undefined, { dateStyle: "long", timeStyle: "short" });
for (const t of document.querySelectorAll("time[datetime]")) {
  t.title = t.textContent;
  t.textContent = form.format(new Date(t.dateTime));
}
