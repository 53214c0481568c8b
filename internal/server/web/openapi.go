package web

import (
	_ "embed"
	"net/http"
)

// contract describes the API (OpenAPI 3.1). A test holds actual answers against it.
//
//go:embed openapi.json
var contract []byte

func serveOpenAPI(w http.ResponseWriter, r *http.Request) {
	answerBytes(w, r, http.StatusOK, "application/json", contract)
}
