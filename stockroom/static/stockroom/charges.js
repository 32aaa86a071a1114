/* Choosing a supplier fills in the currency of goods and freight, and a currency its last rate,
   as long as nobody has typed there. The server asks for a rate that is still missing. */
"use strict";

document.addEventListener("DOMContentLoaded", () => {
  const form = document.querySelector("form[data-charges]");
  if (!form) return;
  const known = JSON.parse(document.getElementById("known-rates").textContent);
  const typed = new Set();
  const fill = (name, value) => {
    const field = form.elements[name];
    if (!typed.has(name) && value !== undefined) field.value = value;
  };
  const rateOf = (currency) => (currency === known.home ? "1" : known.rates[currency] || "");
  form.addEventListener("input", (event) => {
    const name = event.target.name;
    typed.add(name);
    if (name === "supplier") {
      const currency = known.suppliers[event.target.value.trim()];
      for (const { name: bill } of form.querySelectorAll("[name^=goods-][name$=-currency], [name^=freight-][name$=-currency]")) {
        if (currency && !bill.startsWith("initial-") && !typed.has(bill)) {
          fill(bill, currency);
          fill(bill.replace("-currency", "-rate"), rateOf(currency));
        }
      }
    } else if (name.endsWith("-currency")) {
      const currency = event.target.value.trim().toUpperCase();
      if (currency.length === 3) fill(name.replace("-currency", "-rate"), rateOf(currency));
    }
  });
});
