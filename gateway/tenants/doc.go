// Package tenants holds one test: whether anybody gets at what is not his. It is
// generated from the descriptors of all services and from the API's description, and
// sends each call and each request with every sort of credential there is.
package tenants
