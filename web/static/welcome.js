// Puts a one-time code, which stands in the fragment of the address so that it
// reaches no server and no log, into the form, and takes it out of the address.
// Without this module the code is typed.

const form = document.querySelector('form[data-code]');

function take() {
  const code = decodeURIComponent(location.hash.slice(1));
  if (!code) return;
  form.elements.code.value = code;
  history.replaceState(null, '', location.pathname);
  form.querySelector('button').focus();
}

take();
addEventListener('hashchange', take);
