package rest

import (
	"context"
	"net/http"
	"regexp"
	"slices"
	"strconv"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// documented is the answer of an RPC that renders a document.
type documented interface {
	proto.Message
	GetDocument() *fitmentv1.Document
}

// renderer serves paths whose answer is a document as it is.
type renderer struct {
	// path matches the paths; its group is the name of what is rendered.
	path *regexp.Regexp
	// operation is the operation's id in the API's description, method the RPC's
	// full name.
	operation, method string
	// conn reaches its service.
	conn grpc.ClientConnInterface
	// types are the media types that it answers.
	types []string
	// request is an empty request about a name, and reply an empty answer.
	request func(name string) proto.Message
	reply   func() documented
}

const pdfType = "application/pdf"

// renderers lists them all.
func renderers(o Options) []renderer {
	onlyPDF := []string{pdfType}
	return []renderer{{
		path: regexp.MustCompile(`^/v1/(quotes/[^/:]+):render$`), operation: "QuoteService_RenderQuote",
		method: quotev1.QuoteService_RenderQuote_FullMethodName, conn: o.Quote, types: []string{pdfType, "text/csv", "application/json"},
		request: func(name string) proto.Message { return &quotev1.RenderQuoteRequest{Name: name} },
		reply:   func() documented { return &quotev1.RenderQuoteResponse{} },
	}, {
		path: regexp.MustCompile(`^/v1/(entries/[^/:]+):render$`), operation: "BooksService_RenderCreditNote",
		method: quotev1.BooksService_RenderCreditNote_FullMethodName, conn: o.Quote, types: onlyPDF,
		request: func(name string) proto.Message { return &quotev1.RenderCreditNoteRequest{Name: name} },
		reply:   func() documented { return &quotev1.RenderCreditNoteResponse{} },
	}, {
		path: regexp.MustCompile(`^/v1/(repairOrders/[^/:]+):render$`), operation: "RepairService_RenderRepairOrder",
		method: quotev1.RepairService_RenderRepairOrder_FullMethodName, conn: o.Quote, types: onlyPDF,
		request: func(name string) proto.Message { return &quotev1.RenderRepairOrderRequest{Name: name} },
		reply:   func() documented { return &quotev1.RenderRepairOrderResponse{} },
	}, {
		path: regexp.MustCompile(`^/v1/(listings/[^/:]+):renderTag$`), operation: "ListingService_RenderTag",
		method: fitmentv1.ListingService_RenderTag_FullMethodName, conn: o.Fitment, types: onlyPDF,
		request: func(name string) proto.Message { return &fitmentv1.RenderTagRequest{Name: name} },
		reply:   func() documented { return &fitmentv1.RenderTagResponse{} },
	}, {
		path: regexp.MustCompile(`^/v1/(listings/[^/:]+):renderShippingFacts$`), operation: "ListingService_RenderShippingFacts",
		method: fitmentv1.ListingService_RenderShippingFacts_FullMethodName, conn: o.Fitment, types: onlyPDF,
		request: func(name string) proto.Message { return &fitmentv1.RenderShippingFactsRequest{Name: name} },
		reply:   func() documented { return &fitmentv1.RenderShippingFactsResponse{} },
	}}
}

// rendered finds the renderer of a path and the name in it.
func (g *gateway) rendered(path string) (r renderer, name string, ok bool) {
	for _, one := range g.renderers {
		if match := one.path.FindStringSubmatch(path); match != nil {
			return one, match[1], true
		}
	}
	return renderer{}, "", false
}

// fileShape is what the name of a file may be: nothing that a header or a file
// system takes for anything else.
var fileShape = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,199}$`)

// render serves a document.
func (g *gateway) render(w http.ResponseWriter, r *http.Request, key string, what renderer, name string) error {
	message := what.request(name)
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err == nil {
		err = (&exchange{writer: w, request: r, key: key}).noBody()
	}
	if err == nil {
		err = strict.Query(values, message)
	}
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(withKey(r.Context(), key), g.options.Timeout)
	defer cancel()
	answer := what.reply()
	if err := what.conn.Invoke(ctx, what.method, message, answer); err != nil {
		return jsonPaths(err)
	}
	document := answer.GetDocument()
	file := document.GetFileName()
	if !fileShape.MatchString(file) {
		file = "document"
	}
	h := w.Header()
	h.Set("Content-Type", document.GetContentType())
	h.Set("Content-Length", strconv.Itoa(len(document.GetContent())))
	h.Set("Content-Disposition", `attachment; filename="`+file+`"`)
	w.WriteHeader(http.StatusOK)
	_, _ = w.Write(document.GetContent()) // a client that is gone is not told
	return nil
}

// describe says in the API's description that the answers are documents, which no
// generator knows.
func describe(paths object, all []renderer) {
	for _, item := range paths {
		operations, _ := item.(object)
		for _, one := range operations {
			operation, _ := one.(object)
			i := slices.IndexFunc(all, func(r renderer) bool { return r.operation == operation["operationId"] })
			if i < 0 {
				continue
			}
			produces := append(slices.Clone(all[i].types), "application/json") // an error
			slices.Sort(produces)
			operation["produces"] = slices.Compact(produces)
			responses, known := operation["responses"].(object)
			if !known {
				continue
			}
			responses["200"] = object{"description": "The document.", "schema": object{"type": "file"}}
		}
	}
}
