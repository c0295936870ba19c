package server

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/document"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/paper"
)

// DefaultPublicURL is where REST is reached where nothing is set: this machine
// only, as the program listens by itself.
const DefaultPublicURL = "http://127.0.0.1:8080"

// maxPublicURL bounds the address, so that the code on a tag can still be read
// from an arm's length.
const maxPublicURL = 200

// pdf is the media type of a PDF.
const pdf = "application/pdf"

// PublicURL is the address that names of listings are put behind, without a
// stroke at its end; an error where it is none.
func PublicURL(text string) (string, error) {
	if text == "" {
		return DefaultPublicURL, nil
	}
	address, err := url.Parse(text)
	if err != nil || (address.Scheme != "http" && address.Scheme != "https") || address.Host == "" ||
		address.RawQuery != "" || address.Fragment != "" || address.User != nil || len(text) > maxPublicURL {
		return "", fmt.Errorf("%.80q is no address for tags; expected one such as https://parts.example.org, of at most %d characters, without query", text, maxPublicURL)
	}
	return strings.TrimRight(text, "/"), nil
}

// RenderTag draws the yard's tag for a part.
func (s *Server) RenderTag(ctx context.Context, req *fitmentv1.RenderTagRequest) (*fitmentv1.RenderTagResponse, error) {
	made, err := s.drawn(ctx, req.GetName(), req.GetPaper(), "tag", nil, func(l *fitmentv1.Listing, now time.Time, size paper.Size) ([]byte, error) {
		return document.Tag(l, s.publicURL, now, size)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.RenderTagResponse{Document: made}, nil
}

// RenderShippingFacts puts together what the papers of a shipment must say.
func (s *Server) RenderShippingFacts(ctx context.Context, req *fitmentv1.RenderShippingFactsRequest) (*fitmentv1.RenderShippingFactsResponse, error) {
	mode, known := document.ReadMode(req.GetMode())
	checks := func(fields *check.Fields) {
		if !known {
			fields.Add("mode", fmt.Sprintf("%q is none", req.GetMode()), "road, passenger aircraft, cargo aircraft, sea or hand over")
		}
	}
	made, err := s.drawn(ctx, req.GetName(), req.GetPaper(), "shipping", checks, func(l *fitmentv1.Listing, now time.Time, size paper.Size) ([]byte, error) {
		return document.Shipping(l, mode, req.GetToRecycler(), now, size)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.RenderShippingFactsResponse{Document: made}, nil
}

// drawn draws a document of a listing for its yard. What names the document in its
// file's name.
func (s *Server) drawn(
	ctx context.Context, name string, asked fitmentv1.Document_Paper, what string, checks func(*check.Fields),
	draw func(l *fitmentv1.Listing, now time.Time, size paper.Size) ([]byte, error),
) (*fitmentv1.Document, error) {
	size, known := paper.SizeOf(asked)
	_, err := s.keeper(ctx, name, func(fields *check.Fields) {
		if !known {
			fields.Add("paper", "is none that there is", "A4 or LETTER")
		}
		if checks != nil {
			checks(fields)
		}
	}, "name")
	if err != nil {
		return nil, err
	}
	_, l, err := s.read(ctx, name)
	if err != nil {
		return nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	content, err := draw(l, now, size)
	if err != nil {
		return nil, edge(err)
	}
	yard, stock, ok := listing.ParseName(name)
	if !ok { // keeper has refused it
		return nil, errors.New("fitment server: a name that is none")
	}
	return &fitmentv1.Document{ContentType: pdf, FileName: what + "-" + yard + "." + stock + ".pdf", Content: content}, nil
}
