package rest

import "net/http"

// yearOfHTTPS is how long browsers are to come by HTTPS only: a year, in seconds,
// which is the least that OWASP's ASVS 5.0 (3.4.1) asks for. Names below this one are
// left out, since the address may be shared with others of the owner's.
const yearOfHTTPS = "max-age=31536000"

// secured sets the headers that every answer has, whatever becomes of the request,
// before anything else looks at it.
func secured(https bool, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header(), https)
		next.ServeHTTP(w, r)
	})
}

// secure says to browsers that nothing answered here is a page: it is of the type that
// it says, loads nothing, runs nothing, is framed and embedded by nobody, is kept by
// nobody, and tells no other site where it was.
func secure(h http.Header, https bool) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()")
	if https {
		h.Set("Strict-Transport-Security", yearOfHTTPS)
	}
}
