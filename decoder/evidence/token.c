/* See token.h. */
#define _DEFAULT_SOURCE /* timegm */
#include "token.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <openssl/err.h>
#include <openssl/evp.h>
#include <openssl/sha.h>
#include <openssl/ts.h>

static int no_memory(struct diagnostics *diagnostics)
{
    ERR_clear_error();
    return diagnostics_no_memory(diagnostics, NULL);
}

static bool imprint_of(const uint8_t signature[SIGNATURE_BYTES], uint8_t out[SHA256_DIGEST_LENGTH])
{
    return EVP_Digest(signature, SIGNATURE_BYTES, out, NULL, EVP_sha256(), NULL) == 1;
}

/* ---- the request (RFC 3161 2.4.1) ---- */

size_t token_request(const uint8_t signature[SIGNATURE_BYTES], uint8_t request[TOKEN_REQUEST_MAX])
{
    uint8_t hash[SHA256_DIGEST_LENGTH], *at = request;
    TS_REQ *wanted = TS_REQ_new();
    TS_MSG_IMPRINT *imprint = TS_MSG_IMPRINT_new();
    X509_ALGOR *algorithm = X509_ALGOR_new();
    int length = 0;
    if (wanted && imprint && algorithm && imprint_of(signature, hash) &&
        X509_ALGOR_set0(algorithm, OBJ_nid2obj(NID_sha256), V_ASN1_NULL, NULL) == 1 &&
        TS_MSG_IMPRINT_set_algo(imprint, algorithm) == 1 &&
        TS_MSG_IMPRINT_set_msg(imprint, hash, sizeof hash) == 1 && TS_REQ_set_version(wanted, 1) == 1 &&
        TS_REQ_set_msg_imprint(wanted, imprint) == 1 && TS_REQ_set_cert_req(wanted, 1) == 1) {
        length = i2d_TS_REQ(wanted, NULL);
        if (length > 0 && (size_t)length <= TOKEN_REQUEST_MAX)
            length = i2d_TS_REQ(wanted, &at);
        else
            length = 0;
    }
    X509_ALGOR_free(algorithm);
    TS_MSG_IMPRINT_free(imprint);
    TS_REQ_free(wanted);
    ERR_clear_error();
    return length > 0 ? (size_t)length : 0;
}

/* ---- the reply (RFC 3161 2.4.2) ---- */

/* The token's own time, to whole seconds. */
static bool take_time(TS_TST_INFO *info, struct token *token, time_t *when)
{
    struct tm tm;
    const ASN1_GENERALIZEDTIME *time = TS_TST_INFO_get_time(info);
    if (!time || ASN1_TIME_to_tm(time, &tm) != 1)
        return false;
    *when = timegm(&tm);
    (void)strftime(token->time, sizeof token->time, "%Y-%m-%dT%H:%M:%SZ", &tm);
    return true;
}

/* Is it over this signature, by the hash that was asked for? */
static bool is_over(TS_TST_INFO *info, const uint8_t hash[SHA256_DIGEST_LENGTH])
{
    TS_MSG_IMPRINT *imprint = TS_TST_INFO_get_msg_imprint(info);
    if (!imprint)
        return false;
    const ASN1_OBJECT *kind = NULL;
    X509_ALGOR_get0(&kind, NULL, NULL, TS_MSG_IMPRINT_get_algo(imprint));
    const ASN1_OCTET_STRING *message = TS_MSG_IMPRINT_get_msg(imprint);
    return kind && OBJ_obj2nid(kind) == NID_sha256 && message &&
           ASN1_STRING_length(message) == SHA256_DIGEST_LENGTH &&
           memcmp(ASN1_STRING_get0_data(message), hash, SHA256_DIGEST_LENGTH) == 0;
}

/* Why the library refused, in its own words: the last one tells most. */
static void take_reason(struct token *token)
{
    const char *reason = ERR_reason_error_string(ERR_peek_last_error()), *data = NULL;
    int flags = 0;
    (void)ERR_peek_last_error_data(&data, &flags);
    bool more = data && (flags & ERR_TXT_STRING) && data[0];
    (void)snprintf(token->why, sizeof token->why, "%.60s%s%.90s", reason ? reason : "not correctly signed",
                   more ? ": " : "", more ? data : "");
}

/* By an authority of these certificates, for time stamping (extended key usage), whole and over hash? */
static int check_issuer(TS_RESP *reply, const uint8_t hash[SHA256_DIGEST_LENGTH], time_t when, const char *ca,
                        struct diagnostics *diagnostics, struct token *token)
{
    X509_STORE *store = X509_STORE_new();
    TS_VERIFY_CTX *context = TS_VERIFY_CTX_new();
    unsigned char *imprint = OPENSSL_memdup(hash, SHA256_DIGEST_LENGTH);
    int code = 0;
    if (!store || !context || !imprint) {
        code = no_memory(diagnostics);
        X509_STORE_free(store);
        OPENSSL_free(imprint);
    } else if (X509_STORE_load_file(store, ca) != 1) {
        ERR_clear_error();
        diagnostics_say(
            diagnostics, SEVERITY_ERROR, ca,
            "holds no certificates that can be read; give those of the time-stamping authority in PEM form");
        code = EXIT_BAD_INPUT;
        X509_STORE_free(store);
        OPENSSL_free(imprint);
    } else {
        X509_VERIFY_PARAM_set_time(X509_STORE_get0_param(store), when);
        (void)TS_VERIFY_CTX_set_flags(context, TS_VFY_SIGNATURE | TS_VFY_VERSION | TS_VFY_IMPRINT);
        (void)TS_VERIFY_CTX_set_store(context, store);                               /* owned by context from here */
        (void)TS_VERIFY_CTX_set_imprint(context, imprint, SHA256_DIGEST_LENGTH);     /* likewise */
        ERR_clear_error();
        token->state = TS_RESP_verify_response(context, reply) == 1 ? TOKEN_GOOD : TOKEN_FOREIGN;
        if (token->state == TOKEN_FOREIGN)
            take_reason(token);
    }
    TS_VERIFY_CTX_free(context);
    ERR_clear_error();
    return code;
}

int token_check(const void *reply, size_t length, const uint8_t signature[SIGNATURE_BYTES], const char *ca,
                struct diagnostics *diagnostics, struct token *token)
{
    const unsigned char *at = reply;
    uint8_t hash[SHA256_DIGEST_LENGTH];
    time_t when = 0;
    *token = (struct token){.state = TOKEN_UNREADABLE};
    if (!imprint_of(signature, hash))
        return no_memory(diagnostics);
    TS_RESP *parsed = length <= TOKEN_BYTES_MAX ? d2i_TS_RESP(NULL, &at, (long)length) : NULL;
    int code = 0;
    if (parsed && at == (const unsigned char *)reply + length) {
        TS_STATUS_INFO *status = TS_RESP_get_status_info(parsed);
        const ASN1_INTEGER *number = status ? TS_STATUS_INFO_get0_status(status) : NULL;
        long granted = number ? ASN1_INTEGER_get(number) : -1; /* 0 granted, 1 granted with changes */
        TS_TST_INFO *info = TS_RESP_get_tst_info(parsed);
        if (granted != 0 && granted != 1)
            token->state = TOKEN_REFUSED;
        else if (info && take_time(info, token, &when))
            token->state = is_over(info, hash) ? TOKEN_UNKNOWN : TOKEN_OTHER;
        if (token->state == TOKEN_UNKNOWN && ca)
            code = check_issuer(parsed, hash, when, ca, diagnostics, token);
    }
    TS_RESP_free(parsed);
    ERR_clear_error();
    return code;
}
