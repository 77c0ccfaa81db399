package webtest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
)

// Description is the OpenAPI description a server gives of itself. Every answer
// of its API that a Client gets is held against it.
type Description struct {
	Doc    *openapi3.T
	router routers.Router
}

// ReadDescription reads a description and checks that it is sound.
func ReadDescription(body []byte) (*Description, error) {
	doc, err := openapi3.NewLoader().LoadFromData(body)
	if err != nil {
		return nil, err
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, err
	}
	router, err := gorillamux.NewRouter(doc)
	return &Description{doc, router}, err
}

// Check tells what is wrong with an answer: a status, type, header or body that is
// not described. What a sender may not ask for at all must be a problem.
func (d *Description) Check(req *http.Request, a Answer) error {
	if req.Method == http.MethodHead {
		if a.Body != "" {
			return fmt.Errorf("HEAD is answered with a body")
		}
		return nil
	}
	route, params, err := d.router.FindRoute(req)
	if err != nil {
		return d.checkStray(a)
	}
	return openapi3filter.ValidateResponse(req.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: req, PathParams: params, Route: route},
		Status:                 a.Status, Header: a.Header, Body: io.NopCloser(strings.NewReader(a.Body)),
		Options: &openapi3filter.Options{IncludeResponseStatus: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc},
	})
}

// checkStray holds the answer of an address or method that is not described
// against what a problem is.
func (d *Description) checkStray(a Answer) error {
	if a.Status < 400 || a.Header.Get("Content-Type") != "application/problem+json" {
		return fmt.Errorf("the address is not described, and it answers %d as %s", a.Status, a.Header.Get("Content-Type"))
	}
	if a.Status == http.StatusMethodNotAllowed && a.Header.Get("Allow") == "" {
		return fmt.Errorf("405 does not say what is allowed")
	}
	var value any
	if err := json.NewDecoder(bytes.NewReader([]byte(a.Body))).Decode(&value); err != nil {
		return err
	}
	return d.Doc.Components.Schemas["Problem"].Value.VisitJSON(value, openapi3.EnableJSONSchema2020())
}

// describes keeps one description for each base path: it is the same for every
// site of a test binary.
var describes sync.Map

// checkAPI holds an answer of the API against the server's description.
func (s *Site) checkAPI(t testing.TB, req *http.Request, a Answer) {
	t.Helper()
	if !strings.HasPrefix(req.URL.Path, s.base+"/api/v1/") {
		return
	}
	known, ok := describes.Load(s.base)
	if !ok {
		rec := httptest.NewRecorder()
		s.Server.ServeHTTP(rec, httptest.NewRequest(http.MethodGet, s.base+"/api/v1/openapi.json", nil))
		d, err := ReadDescription(rec.Body.Bytes())
		if err != nil {
			t.Fatalf("the API's description: %v", err)
		}
		known, _ = describes.LoadOrStore(s.base, d)
	}
	if err := known.(*Description).Check(req, a); err != nil {
		t.Errorf("%s %s answers %d against its own description: %v", req.Method, req.URL, a.Status, err)
	}
}
