package listing

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
)

// vinsOf finds every VIN that a listing states, however its letters are written.
// It is nil where there is none. A text of no more characters than are masked
// anyway tells nobody which car it was, and might be any word, so such a VIN is
// masked only in its own place.
func vinsOf(l *fitmentv1.Listing) *regexp.Regexp {
	stated := []string{l.GetDonor().GetVin()}
	for _, e := range l.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_DONOR_VIN {
			stated = append(stated, e.GetValue())
		}
	}
	var vins []string
	for _, vin := range stated {
		if len(vin) > maskedCharacters {
			vins = append(vins, regexp.QuoteMeta(strings.ToUpper(vin)))
		}
	}
	if vins == nil {
		return nil
	}
	// The longest in front: one may be the beginning of another.
	slices.SortFunc(vins, func(a, b string) int { return len(b) - len(a) })
	return regexp.MustCompile("(?i:" + strings.Join(vins, "|") + ")")
}

// mask masks the VINs in every text of a message, and whatever stands where a
// VIN belongs. Going through all fields keeps one that is added later from being
// forgotten.
func mask(m protoreflect.Message, vins *regexp.Regexp) {
	hide := func(text string) string {
		if vins == nil {
			return text
		}
		return vins.ReplaceAllStringFunc(text, MaskVIN)
	}
	switch own := m.Interface().(type) {
	case *fitmentv1.Vehicle:
		own.Vin = MaskVIN(own.GetVin())
	case *fitmentv1.Evidence:
		if own.GetAttribute() == fitmentv1.Evidence_DONOR_VIN {
			own.Value = MaskVIN(own.GetValue())
		}
	}
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		texts, messages := field.Kind() == protoreflect.StringKind, field.Kind() == protoreflect.MessageKind
		switch {
		case field.IsList() && (texts || messages):
			for i := range value.List().Len() {
				if one := value.List().Get(i); messages {
					mask(one.Message(), vins)
				} else {
					value.List().Set(i, protoreflect.ValueOfString(hide(one.String())))
				}
			}
		case texts:
			m.Set(field, protoreflect.ValueOfString(hide(value.String())))
		case messages && !field.IsMap():
			mask(value.Message(), vins)
		}
		return true
	})
}

// someBuyer stands for a buyer who is not to be known.
const someBuyer = "a buyer"

// hideReporters hides in every statement of a message about a part that came back
// which buyer saw it, but from himself and those who keep the listing. The names of
// his photos begin with his, so they are hidden with him.
func hideReporters(m protoreflect.Message, l *fitmentv1.Listing, viewer identity.Principal) {
	if l.GetReturnOf() == "" || isKeeper(l, viewer) {
		return
	}
	if e, ok := m.Interface().(*fitmentv1.Evidence); ok && reported(e, l.GetYard()) && e.GetBy() != viewer.Tenant {
		e.By = someBuyer
		e.Attachments = slices.DeleteFunc(slices.Clone(e.GetAttachments()), func(name string) bool {
			owner, _, _ := ParseAttachmentName(name)
			return owner != l.GetYard()
		})
		return
	}
	inside(m, func(inner protoreflect.Message) { hideReporters(inner, l, viewer) })
}

// hideDigests takes the digests of decisions' facts out of a message.
func hideDigests(m protoreflect.Message) {
	switch own := m.Interface().(type) {
	case *fitmentv1.Basis:
		own.Facts = ""
	case *fitmentv1.Finding, *fitmentv1.Evidence: // most of a decision, and no digest in it
	default:
		inside(m, hideDigests)
	}
}

// inside does something to every message that stands directly in a message.
func inside(m protoreflect.Message, do func(protoreflect.Message)) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.Kind() != protoreflect.MessageKind || field.IsMap():
		case field.IsList():
			for i := range value.List().Len() {
				do(value.List().Get(i).Message())
			}
		default:
			do(value.Message())
		}
		return true
	})
}
