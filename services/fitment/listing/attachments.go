package listing

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
)

// MaxAttachments bounds the photos and documents that one statement names.
const MaxAttachments = 8

const attachmentPrefix = "attachments/"

// sumShape is a SHA-256 in hexadecimal.
var sumShape = regexp.MustCompile(`^[0-9a-f]{64}$`)

// AttachmentName is the resource name of a business's photo or document.
func AttachmentName(owner, sum string) string { return attachmentPrefix + owner + "." + sum }

// ParseAttachmentName splits a resource name into owner and the content's hash;
// false where it is no name of an attachment.
func ParseAttachmentName(name string) (owner, sum string, ok bool) {
	body, found := strings.CutPrefix(name, attachmentPrefix)
	owner, sum, dotted := strings.Cut(body, ".")
	if !found || !dotted || !identity.ValidTenant(owner) || !sumShape.MatchString(sum) {
		return "", "", false
	}
	return owner, sum, true
}

// identifying are the attributes whose photos and documents bear the donor's VIN by
// nature: its plate, and papers and read-outs that are made out to it.
var identifying = []fitmentv1.Evidence_Attribute{
	fitmentv1.Evidence_DONOR_VIN, fitmentv1.Evidence_DONOR_CODES, fitmentv1.Evidence_CRASH_RECORD, fitmentv1.Evidence_DEPLOYMENT_CODE,
	fitmentv1.Evidence_RECALL_OPEN, fitmentv1.Evidence_RECALL_REMEDIED, fitmentv1.Evidence_THEFT_QUERY_CLEAR, fitmentv1.Evidence_SELLER_STATEMENT,
}

// Shows tells whether some statement of the listing names the attachment, and
// whether one of those is of a sort that bears the donor's VIN.
func Shows(l *fitmentv1.Listing, attachment string) (named, vin bool) {
	for _, e := range l.GetEvidence() {
		if slices.Contains(e.GetAttachments(), attachment) {
			named = true
			vin = vin || slices.Contains(identifying, e.GetAttribute())
		}
	}
	return named, vin
}

// ValidateStatements is what Validate says about a listing's evidence, for
// statements that a yard is about to add.
func ValidateStatements(list []*fitmentv1.Evidence, yard, prefix string, fields *check.Fields) {
	if n := len(list); n > MaxEvidence {
		fields.Add(prefix, fmt.Sprintf("has %d statements", n), fmt.Sprintf("at most %d", MaxEvidence))
		return
	}
	for i, e := range list {
		validateEvidence(e, yard, fmt.Sprintf("%s[%d].", prefix, i), fields)
	}
}

// validateAttachments looks at the names only: whether there is such an attachment
// is not known here.
func validateAttachments(e *fitmentv1.Evidence, prefix string, fields *check.Fields) {
	names := e.GetAttachments()
	if len(names) > MaxAttachments {
		fields.Add(prefix+"attachments", fmt.Sprintf("has %d names", len(names)), fmt.Sprintf("at most %d", MaxAttachments))
		return
	}
	for i, name := range names {
		field := fmt.Sprintf("%sattachments[%d]", prefix, i)
		if _, _, ok := ParseAttachmentName(name); !ok {
			fields.Add(field, fmt.Sprintf("%.120q is no attachment's name", name), "attachments/{yard}.{hash}, as the upload's answer said")
		} else if slices.Contains(names[:i], name) {
			fields.Add(field, "is named twice", "each attachment once")
		}
	}
}

// keepAttached is what a file's row says, with the statements of the stored
// listing that name attachments behind it. A file cannot name any, so its silence
// takes none of them back.
func keepAttached(said, stored *fitmentv1.Listing) *fitmentv1.Listing {
	var kept []*fitmentv1.Evidence
	for _, e := range stored.GetEvidence() {
		if len(e.GetAttachments()) > 0 {
			kept = append(kept, e)
		}
	}
	if kept == nil {
		return said
	}
	whole := proto.CloneOf(said)
	whole.Evidence = append(whole.GetEvidence(), kept...)
	return whole
}
