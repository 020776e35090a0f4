/* Reads chess games from PGN text into arrays: where games and the values of their tags stand, how their moves end,
 * and the positions that they visit. `core.h` tells what each function takes and gives.
 *
 * Nothing is allocated: the caller gives all memory, with its sizes, and none is written beyond them. The only
 * globals are tables that `core_init` fills, always with the same values; everything else is on the stack, so that
 * any number of threads may read at the same time.
 *
 * Arithmetic that may wrap is unsigned throughout. Signed numbers are places and sizes within one text, at most 2^62,
 * so that sums of two do not overflow; hence neither -fwrapv, which would only hide a mistake in that, nor traps
 * where it is used: the fuzz target is built with the sanitizers and stops at the first such mistake. */

#include "core.h"

#include <string.h>

#include "polyglot.h"

#define COUNT(array) ((int64_t)(sizeof(array) / sizeof((array)[0])))
#define LONGEST_COMMENT 65536 /* bytes that one may be open before a game's beginning is sure all the same */
#define MOST_BLANKS 8         /* behind a result that are skipped to see what follows */
#define MOST_MOVES 65536      /* that are taken from text of more than moves; no game is kept so far */
#define MOST_ESCAPES 999      /* in the value of a tag */
#define LOOK_BACK 99          /* bytes before a tag within which the one before it on its line must end */

typedef uint64_t Set; /* of squares, a1 lowest */

enum { WHITE, BLACK };
enum { NONE, PAWN, KNIGHT, BISHOP, ROOK, QUEEN, KING };
enum { WHITE_SHORT = 1, WHITE_LONG = 2, BLACK_SHORT = 4, BLACK_LONG = 8 };
enum { CASTLING_AT = 768, EN_PASSANT_AT = 772, TURN_AT = 780 }; /* in POLYGLOT */
enum { A1 = 0, C1 = 2, D1 = 3, E1 = 4, F1 = 5, G1 = 6, H1 = 7, A8 = 56, E8 = 60, H8 = 63, NOWHERE = 64 };

/* ---- Tables ---------------------------------------------------------------------------------------------------- */

static Set knight_moves[64], king_moves[64], pawn_captures[2][64]; /* by colour, from a square */
static Set rook_lines[64], bishop_lines[64];                       /* on an empty board */
static Set between[64][64];      /* the squares between two on a line, without them */
static uint8_t keeps_rights[64]; /* the castling rights that outlast a move from or to a square */
static uint32_t crc_tables[8][256];
static uint8_t kinds[256];       /* of the bytes of move text */
static uint8_t may_begin[256];   /* whether a byte may begin a move or a result */
static uint8_t is_mark[256];     /* of what tells where a game may begin or a comment is open */

enum { LETTER, SIGN, ODD };

static Set bit(int square) { return (Set)1 << square; }

static Set step(int square, int files, int ranks) {
    int file = (square & 7) + files, rank = (square >> 3) + ranks;
    return file < 0 || file > 7 || rank < 0 || rank > 7 ? 0 : bit(rank * 8 + file);
}

static void fill_board_tables(void) {
    static const int8_t jumps[8][2] = {{1, 2}, {2, 1}, {2, -1}, {1, -2}, {-1, -2}, {-2, -1}, {-2, 1}, {-1, 2}};
    static const int8_t ways[8][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {1, -1}, {-1, 1}, {-1, -1}};
    for (int square = 0; square < 64; square++) {
        Set jumped = 0, stepped = 0, lines[2] = {0, 0};
        for (int way = 0; way < 8; way++) {
            jumped |= step(square, jumps[way][0], jumps[way][1]);
            stepped |= step(square, ways[way][0], ways[way][1]);
            Set passed = 0;
            for (int far = 1; far < 8; far++) {
                int file = (square & 7) + far * ways[way][0], rank = (square >> 3) + far * ways[way][1];
                if (file < 0 || file > 7 || rank < 0 || rank > 7) break;
                between[square][rank * 8 + file] = passed;
                passed |= bit(rank * 8 + file);
            }
            lines[way >= 4] |= passed;
        }
        knight_moves[square] = jumped;
        king_moves[square] = stepped;
        rook_lines[square] = lines[0];
        bishop_lines[square] = lines[1];
        pawn_captures[WHITE][square] = step(square, -1, 1) | step(square, 1, 1);
        pawn_captures[BLACK][square] = step(square, -1, -1) | step(square, 1, -1);
        keeps_rights[square] = 15;
    }
    keeps_rights[E1] = BLACK_SHORT | BLACK_LONG;
    keeps_rights[E8] = WHITE_SHORT | WHITE_LONG;
    keeps_rights[H1] = 15 & ~WHITE_SHORT;
    keeps_rights[A1] = 15 & ~WHITE_LONG;
    keeps_rights[H8] = 15 & ~BLACK_SHORT;
    keeps_rights[A8] = 15 & ~BLACK_LONG;
}

static uint8_t is_letter(uint8_t byte) { return (uint8_t)((byte | 32) - 'a') < 26; }

/* Whether a byte is neither a letter nor white space, a digit or one of the signs of plain moves. Without
 * branches, so that it is asked of many bytes at a time. */
static uint8_t is_odd(uint8_t byte) {
    uint8_t is_sign = (uint8_t)(((uint8_t)(byte - '\t') <= '\r' - '\t') | (byte == ' ') | (byte == '!'));
    is_sign |= (uint8_t)((byte == '#') | (byte == '*') | (byte == '+') | (byte == '=') | (byte == '?'));
    return !(is_sign | ((uint8_t)(byte - '-') <= '9' - '-') | is_letter(byte));
}

static void fill_text_tables(void) {
    static const char begins[] = "NBKRQabcdefgh12345678-x:Oo0Z@*";
    for (uint32_t byte = 0; byte < 256; byte++) {
        uint32_t crc = byte;
        for (int i = 0; i < 8; i++) crc = crc & 1 ? crc >> 1 ^ 0xEDB88320u : crc >> 1;
        crc_tables[0][byte] = crc;
        kinds[byte] = is_odd((uint8_t)byte) ? ODD : is_letter((uint8_t)byte) ? LETTER : SIGN;
    }
    for (int table = 1; table < 8; table++)
        for (int byte = 0; byte < 256; byte++) {
            uint32_t before = crc_tables[table - 1][byte];
            crc_tables[table][byte] = before >> 8 ^ crc_tables[0][before & 255];
        }
    is_mark['{'] = is_mark['}'] = is_mark['['] = is_mark['.'] = 1;
    for (int64_t i = 0; i < COUNT(begins) - 1; i++) may_begin[(uint8_t)begins[i]] = 1;
}

/* ---- Boards ---------------------------------------------------------------------------------------------------- */

typedef struct {
    Set kind[7]; /* by kind of piece, both colours */
    Set side[2];
    uint64_t key;     /* Polyglot's, without the en passant file */
    uint8_t on[64];   /* the kind of piece on each square */
    uint8_t turn, castling, passed; /* passed: the square that a pawn has just passed, or NOWHERE */
} Board;

typedef struct {
    uint8_t from, to, promotion;
} Move;

static int lowest(Set set) { return __builtin_ctzll(set); } /* of a set that is not empty */

static Set side_of(const Board *board, int colour, int kind) { return board->side[colour] & board->kind[kind]; }

static uint64_t piece_key(int colour, int kind, int square) {
    return POLYGLOT[64 * (2 * (kind - 1) + (colour == WHITE)) + square];
}

static void toggle(Board *board, int colour, int kind, int square) {
    board->kind[kind] ^= bit(square);
    board->side[colour] ^= bit(square);
    board->key ^= piece_key(colour, kind, square);
}

static void put(Board *board, int colour, int kind, int square) {
    toggle(board, colour, kind, square);
    board->on[square] = (uint8_t)kind;
}

static uint64_t castling_key(int rights) {
    uint64_t key = 0;
    for (int i = 0; i < 4; i++)
        if (rights >> i & 1) key ^= POLYGLOT[CASTLING_AT + i];
    return key;
}

/* The key, in which the en passant file counts only where a pawn stands ready to capture, legal or not. */
static uint64_t key_of(const Board *board) {
    uint64_t key = board->key;
    if (board->passed != NOWHERE &&
        (pawn_captures[!board->turn][board->passed] & side_of(board, board->turn, PAWN)))
        key ^= POLYGLOT[EN_PASSANT_AT + (board->passed & 7)];
    return key;
}

static Board start; /* filled by `core_init`, too */

static void set_up_start(Board *board) {
    static const uint8_t pieces[8] = {ROOK, KNIGHT, BISHOP, QUEEN, KING, BISHOP, KNIGHT, ROOK};
    memset(board, 0, sizeof *board);
    for (int file = 0; file < 8; file++) {
        put(board, WHITE, pieces[file], file);
        put(board, WHITE, PAWN, 8 + file);
        put(board, BLACK, PAWN, 48 + file);
        put(board, BLACK, pieces[file], 56 + file);
    }
    board->castling = 15;
    board->passed = NOWHERE;
    board->key ^= castling_key(15) ^ POLYGLOT[TURN_AT];
}

void core_init(void) {
    fill_board_tables();
    fill_text_tables();
    set_up_start(&start);
}

/* Whether a side, without what stands on the squares `gone`, attacks a square when others are occupied. */
static int attacks(const Board *board, int colour, int square, Set occupied, Set gone) {
    Set pieces = board->side[colour] & ~gone;
    if (pieces & ((knight_moves[square] & board->kind[KNIGHT]) | (king_moves[square] & board->kind[KING]) |
                  (pawn_captures[!colour][square] & board->kind[PAWN])))
        return 1;
    Set far = pieces & ((rook_lines[square] & (board->kind[ROOK] | board->kind[QUEEN])) |
                        (bishop_lines[square] & (board->kind[BISHOP] | board->kind[QUEEN])));
    for (; far; far &= far - 1)
        if (!(between[square][lowest(far)] & occupied)) return 1;
    return 0;
}

static int is_castling(const Board *board, Move move) {
    return board->on[move.from] == KING && (move.to == move.from + 2 || move.from == move.to + 2);
}

/* Whether castling is legal: `move` is by the king of the side to move, two files on. */
static int may_castle(const Board *board, Move move) {
    int base = board->turn == WHITE ? 0 : A8;
    if (move.from != base + E1 || (move.to != base + G1 && move.to != base + C1)) return 0;
    int is_short = move.to == base + G1;
    int right = (is_short ? WHITE_SHORT : WHITE_LONG) << (board->turn == WHITE ? 0 : 2);
    if (!(board->castling & right)) return 0;
    Set occupied = board->side[WHITE] | board->side[BLACK];
    if (between[move.from][base + (is_short ? H1 : A1)] & occupied) return 0;
    int enemy = !board->turn;
    return !attacks(board, enemy, move.from, occupied, 0) &&
           !attacks(board, enemy, base + (is_short ? F1 : D1), occupied, 0) &&
           !attacks(board, enemy, move.to, occupied, 0);
}

/* Whether a move that the pieces can make leaves the own king safe; not for castling. */
static int is_safe(const Board *board, Move move) {
    Set occupied = board->side[WHITE] | board->side[BLACK], gone = bit(move.to);
    Set kings = side_of(board, board->turn, KING);
    if (!kings) return 1;
    int king = lowest(kings);
    occupied = (occupied & ~bit(move.from)) | bit(move.to);
    if (king == move.from) king = move.to;
    if (board->on[move.from] == PAWN && move.to == board->passed) {
        gone = bit(move.to ^ 8); /* the pawn that has passed stands beside */
        occupied &= ~gone;
    }
    return !attacks(board, !board->turn, king, occupied, gone);
}

/* Makes a legal move; returns whether it cannot be taken back by any later one: a capture or a pawn's. */
static int make(Board *board, Move move) {
    int us = board->turn, kind = board->on[move.from], taken = board->on[move.to];
    int is_final = kind == PAWN || taken != NONE, castles = is_castling(board, move);
    if (taken != NONE) toggle(board, !us, taken, move.to);
    toggle(board, us, kind, move.from);
    board->on[move.from] = NONE;
    put(board, us, move.promotion ? move.promotion : kind, move.to);
    if (kind == PAWN && move.to == board->passed) {
        toggle(board, !us, PAWN, move.to ^ 8);
        board->on[move.to ^ 8] = NONE;
    }
    if (castles) {
        int is_short = move.to > move.from, corner = is_short ? move.to + 1 : move.to - 2;
        toggle(board, us, ROOK, corner);
        board->on[corner] = NONE;
        put(board, us, ROOK, is_short ? move.to - 1 : move.to + 1);
    }
    int rights = board->castling & keeps_rights[move.from] & keeps_rights[move.to];
    if (rights != board->castling) board->key ^= castling_key(board->castling ^ rights);
    board->castling = (uint8_t)rights;
    int is_double = kind == PAWN && (move.to == move.from + 16 || move.from == move.to + 16);
    board->passed = is_double ? (uint8_t)((move.from + move.to) / 2) : NOWHERE;
    board->turn = (uint8_t)!us;
    board->key ^= POLYGLOT[TURN_AT];
    return is_final;
}

static Set reached_by(const Board *board, int kind, int square) { /* from a square, by a piece but a pawn */
    Set targets = 0, far = 0, occupied = board->side[WHITE] | board->side[BLACK];
    if (kind == KNIGHT) return knight_moves[square];
    if (kind == KING) return king_moves[square];
    if (kind != BISHOP) far |= rook_lines[square];
    if (kind != ROOK) far |= bishop_lines[square];
    for (; far; far &= far - 1)
        if (!(between[square][lowest(far)] & occupied)) targets |= far & -far;
    return targets;
}

/* The squares of the own pawns that can move to a square: by a capture, or straight on. */
static Set pawns_to(const Board *board, int to) {
    int us = board->turn, back = us == WHITE ? -8 : 8;
    Set pawns = side_of(board, us, PAWN), occupied = board->side[WHITE] | board->side[BLACK];
    Set found = 0;
    if ((board->side[!us] & bit(to)) || to == board->passed) found = pawn_captures[!us][to] & pawns;
    if (occupied & bit(to)) return found;
    int from = to + back;
    if (from < 0 || from > 63) return found;
    if (pawns & bit(from)) return found | bit(from);
    if ((occupied & bit(from)) || (to >> 3) != (us == WHITE ? 3 : 4)) return found;
    return found | (pawns & bit(from + back));
}

/* ---- Moves as they are written --------------------------------------------------------------------------------- */

typedef struct {
    int64_t size;     /* of what was matched; 0: nothing */
    uint8_t is_result, is_null, castling; /* castling: 0 none, 1 short, 2 long */
    uint8_t kind;     /* NONE: not named */
    int8_t file, rank; /* of the square it comes from; -1: not told */
    uint8_t to, promotion;
} Written;

static int within(uint8_t byte, char first, char last) { return byte >= first && byte <= last; }

static int kind_of(uint8_t letter) {
    switch (letter) {
        case 'N': case 'n': return KNIGHT;
        case 'B': case 'b': return BISHOP;
        case 'R': case 'r': return ROOK;
        case 'Q': case 'q': return QUEEN;
        default: return NONE;
    }
}

static int is_circle(uint8_t byte) { return byte == 'O' || byte == 'o' || byte == '0'; }

/* How many bytes from `at` on are a square that a move leads to, with what a pawn becomes there; 0: none. */
static int64_t target(const uint8_t *at, const uint8_t *end, Written *written) {
    if (end - at < 2 || !within(at[0], 'a', 'h') || !within(at[1], '1', '8')) return 0;
    written->to = (uint8_t)((at[1] - '1') * 8 + at[0] - 'a');
    written->promotion = NONE;
    if (at[1] != '1' && at[1] != '8') return 2;
    int64_t sign = end - at > 2 && at[2] == '=';
    if (end - at > 2 + sign && (written->promotion = (uint8_t)kind_of(at[2 + sign]))) return 3 + sign;
    return 2;
}

static int64_t literal(const uint8_t *at, const uint8_t *end, const char *text) {
    int64_t size = (int64_t)strlen(text);
    return end - at >= size && !memcmp(at, text, (size_t)size) ? size : 0;
}

static int64_t result_size(const uint8_t *at, const uint8_t *end, int *result) {
    static const char *const results[] = {"", "1-0", "0-1", "1/2-1/2", "*"};
    for (*result = WHITE_WINS; *result <= UNFINISHED; ++*result) {
        int64_t size = literal(at, end, results[*result]);
        if (size) return size;
    }
    *result = NO_RESULT;
    return 0;
}

/* What is written at a place: a move, a null move or a result, or nothing of these. */
static Written written_at(const uint8_t *at, const uint8_t *end) {
    Written written = {0, 0, 0, 0, NONE, -1, -1, 0, NONE};
    const uint8_t *begin = at, *named;
    int64_t size;
    int result;
    if (*at == 'K') written.kind = KING;
    else if (within(*at, 'B', 'R')) written.kind = (uint8_t)kind_of(*at);
    if (written.kind) at++;
    named = at;
    if (at < end && within(*at, 'a', 'h')) written.file = (int8_t)(*at++ - 'a');
    if (at < end && within(*at, '1', '8')) written.rank = (int8_t)(*at++ - '1');
    if (at < end && (*at == '-' || *at == 'x' || *at == ':')) at++;
    if (!(size = target(at, end, &written)) && written.file >= 0) {
        written.file = written.rank = -1;
        size = target(at = named, end, &written);
    }
    if (size) {
        written.size = at + size - begin;
        return written;
    }
    if ((size = literal(begin, end, "--")) || (size = literal(begin, end, "Z0")) ||
        (size = literal(begin, end, "@@@@"))) {
        written.size = size;
        written.is_null = 1;
    } else if (end - begin > 2 && is_circle(begin[0]) && begin[1] == '-' && is_circle(begin[2])) {
        int is_long = end - begin > 4 && begin[3] == '-' && is_circle(begin[4]);
        written.castling = (uint8_t)(1 + is_long);
        written.size = is_long ? 5 : 3;
    } else if ((size = result_size(begin, end, &result))) {
        written.size = size;
        written.is_result = 1;
    }
    return written;
}

/* The next move or result at `*at` or behind it, which then stands behind that; of size 0 if there is none. */
static Written next_written(const uint8_t **at, const uint8_t *end) {
    Written written = {0, 0, 0, 0, NONE, -1, -1, 0, NONE};
    while (*at < end) {
        if (may_begin[**at] && (written = written_at(*at, end)).size) {
            *at += written.size;
            return written;
        }
        ++*at;
    }
    written.size = 0;
    return written;
}

/* Of a move told by both its squares: whether it is legal, and how it is made. */
static int find_told(const Board *board, const Written *written, Move *move) {
    int kind = board->on[move->from];
    if (!(board->side[board->turn] & bit(move->from))) return 0;
    if (kind == PAWN) {
        int is_last = (move->to >> 3) == (board->turn == WHITE ? 7 : 0);
        return (pawns_to(board, move->to) & bit(move->from)) && is_last == (written->promotion != NONE) &&
               is_safe(board, *move);
    }
    if (written->promotion) return 0;
    if (kind == KING && (move->from == E1 || move->from == E8)) { /* by where the rook stands, too */
        int base = move->from - E1;
        if (move->to == base + H1) move->to = (uint8_t)(base + G1);
        if (move->to == base + A1) move->to = (uint8_t)(base + C1);
    }
    if (is_castling(board, *move)) return may_castle(board, *move);
    return !(board->side[board->turn] & bit(move->to)) &&
           (reached_by(board, kind, move->from) & bit(move->to)) && is_safe(board, *move);
}

/* The one legal move that was written; 0: there is none, or more than one. */
static int find_move(const Board *board, const Written *written, Move *move) {
    if (written->is_null) return 0;
    if (written->castling) {
        int base = board->turn == WHITE ? 0 : A8;
        *move = (Move){(uint8_t)(base + E1), (uint8_t)(base + (written->castling == 1 ? G1 : C1)), NONE};
        return may_castle(board, *move);
    }
    move->to = written->to;
    move->promotion = written->promotion;
    Set from = board->side[board->turn];
    if (written->kind == NONE && written->file >= 0 && written->rank >= 0) {
        move->from = (uint8_t)(written->rank * 8 + written->file);
        return find_told(board, written, move);
    }
    if (from & bit(move->to)) return 0;
    if (written->kind == NONE) {
        int is_last = (move->to >> 3) == (board->turn == WHITE ? 7 : 0);
        if (is_last != (written->promotion != NONE)) return 0;
        from = pawns_to(board, move->to) & ((Set)0x0101010101010101u
                                            << (written->file >= 0 ? written->file : move->to & 7));
    } else {
        if (written->promotion) return 0;
        from &= board->kind[written->kind] & reached_by(board, written->kind, move->to);
        if (written->file >= 0) from &= (Set)0x0101010101010101u << written->file;
    }
    if (written->rank >= 0) from &= (Set)0xFF << 8 * written->rank;
    int found = 0;
    for (; from; from &= from - 1) {
        Move one = {(uint8_t)lowest(from), move->to, move->promotion};
        if (!is_safe(board, one)) continue;
        if (found) return 0;
        *move = one;
        found = 1;
    }
    return found;
}

/* ---- Move text ------------------------------------------------------------------------------------------------- */

static int is_space(uint8_t byte) { return byte == ' ' || (byte >= '\t' && byte <= '\r'); }

static int is_digit(uint8_t byte) { return within(byte, '0', '9'); }

static const uint8_t *find(const uint8_t *at, const uint8_t *end, int byte) {
    const uint8_t *found = at < end ? memchr(at, byte, (size_t)(end - at)) : 0;
    return found ? found : end;
}

/* The text without comments, escaped lines and NAGs, a blank for each, to `out`; how many bytes. */
static int64_t without_asides(const uint8_t *at, const uint8_t *end, uint8_t *out, int *is_open) {
    const uint8_t *begin = at;
    uint8_t *first = out;
    *is_open = 0;
    while (at < end) {
        const uint8_t *after = at;
        if (*at == '{') {
            after = find(at, end, '}');
            *is_open = after == end;
            after += after < end;
        } else if (*at == ';' || (*at == '%' && (at == begin || at[-1] == '\n'))) {
            after = find(at, end, '\n');
        } else if (*at == '$') {
            for (after = at + 1; after < end && is_digit(*after); after++) continue;
            if (after == at + 1) after = at;
        }
        *out++ = after > at ? ' ' : *at;
        at = after > at ? after : at + 1;
    }
    return out - first;
}

/* Takes variations and lone closing brackets out of a text, a blank for each; how many bytes are left. */
static int64_t drop_variations(uint8_t *text, int64_t size, int *is_open) {
    int64_t depth = 0, kept = 0;
    for (int64_t at = 0; at < size; at++) {
        if (text[at] == '(') depth++;
        else if (depth == 0) text[kept++] = text[at] == ')' ? ' ' : text[at];
        else if (text[at] == ')' && --depth == 0) text[kept++] = ' ';
    }
    *is_open = depth > 0;
    return kept;
}

/* The main line of a text, to `line`; how many bytes. `aside`: what of it is never closed. */
static int64_t main_line(const uint8_t *begin, const uint8_t *end, uint8_t *line, uint8_t *aside) {
    int is_comment, is_variation;
    int64_t size = without_asides(begin, end, line, &is_comment);
    size = drop_variations(line, size, &is_variation);
    *aside = is_comment ? OPEN_COMMENT : is_variation ? OPEN_VARIATION : CLOSED;
    return size;
}

static int is_plain_moves(const uint8_t *at, const uint8_t *end) {
    uint8_t found = 0;
    for (; at < end; at++) found |= is_odd(*at);
    return !found;
}

/* The result that ends a main line: its last word; if that is none, the first in the line. */
static int final_result(const uint8_t *begin, const uint8_t *end) {
    const uint8_t *last = end, *window = end - begin > 12 ? end - 12 : begin;
    int result;
    while (last > window && is_space(last[-1])) last--;
    const uint8_t *word = last;
    while (word > window && !is_space(word[-1])) word--;
    if (word < last && result_size(word, last, &result) == last - word) return result;
    for (const uint8_t *at = begin; at < end; at++) {
        if (*at != '1' && *at != '0' && *at != '*') continue;
        if (at > begin && !is_space(at[-1]) && at[-1] != '.') continue;
        int64_t size = result_size(at, end, &result);
        if (size && (at + size == end || is_space(at[size]))) return result;
    }
    return NO_RESULT;
}

static uint32_t crc_of(uint32_t crc, const uint8_t *at, int64_t size) { /* as in zlib; begins with ~0 */
    for (; size >= 8; at += 8, size -= 8) {
        uint32_t low = crc ^ ((uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24);
        crc = crc_tables[7][low & 255] ^ crc_tables[6][low >> 8 & 255] ^ crc_tables[5][low >> 16 & 255] ^
              crc_tables[4][low >> 24] ^ crc_tables[3][at[4]] ^ crc_tables[2][at[5]] ^ crc_tables[1][at[6]] ^
              crc_tables[0][at[7]];
    }
    for (; size; at++, size--) crc = crc >> 8 ^ crc_tables[0][(crc ^ *at) & 255];
    return crc;
}

/* Leaves all bytes but white space, digits and signs of a text at `out`; how many. Both may be the same. */
static int64_t letters_of(const uint8_t *at, const uint8_t *end, uint8_t *out, uint8_t *found) {
    uint8_t *first = out, all = 0;
    for (; at < end; at++) {
        uint8_t kind = kinds[*at];
        *out = *at;
        out += kind != SIGN;
        all |= kind;
    }
    *found = all;
    return out - first;
}

/* The letters of the moves alone, of a line that holds more than moves; they go to its own beginning. */
static int64_t letters_of_moves(uint8_t *line, int64_t size) {
    const uint8_t *at = line, *end = line + size;
    uint8_t *out = line, found;
    for (int moves = 0; moves < MOST_MOVES; moves++) {
        Written written = next_written(&at, end);
        if (!written.size || written.is_result) break;
        out += letters_of(at - written.size, at, out, &found);
        if (written.is_null) break;
    }
    return out - line;
}

static int is_span(int64_t begin, int64_t end, int64_t size) { return begin >= 0 && begin <= end && end <= size; }

int64_t core_movetexts(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends, int64_t n,
                       uint8_t *scratch, int64_t scratch_size, uint8_t *results, uint8_t *asides, uint32_t *hashes,
                       uint8_t *is_empty) {
    for (int64_t game = 0; game < n; game++) {
        if (!is_span(begins[game], ends[game], size) || ends[game] - begins[game] > scratch_size) return REFUSED;
        const uint8_t *begin = text + begins[game], *end = text + ends[game];
        uint8_t found;
        asides[game] = CLOSED;
        int64_t letters = letters_of(begin, end, scratch, &found);
        if (found & ODD) {
            int64_t line = main_line(begin, end, scratch, &asides[game]);
            results[game] = (uint8_t)final_result(scratch, scratch + line);
            if (is_plain_moves(scratch, scratch + line)) letters = letters_of(scratch, scratch + line, scratch, &found);
            else letters = letters_of_moves(scratch, line);
        } else {
            results[game] = (uint8_t)final_result(begin, end);
        }
        hashes[game] = ~crc_of(~(uint32_t)0, scratch, letters);
        is_empty[game] = letters == 0;
    }
    return n;
}

typedef struct {
    uint32_t *games;
    uint8_t *plies;
    uint64_t *keys;
    uint16_t *moves;
    int64_t count, room;
} Visits;

/* Follows a line of moves from the start position, and tells which positions it meets for the first time. */
static int follow(const uint8_t *at, const uint8_t *end, int width, uint32_t game, Visits *visits, Line *line) {
    Board board;
    uint64_t keys[MOST_PLIES];
    int since = 0; /* the ply after the last capture or pawn move: no position from before can come back */
    board = start;
    keys[0] = key_of(&board);
    line->plies = line->is_illegal = 0;
    for (int ply = 0; ply < width; ply++) {
        Written written = next_written(&at, end);
        Move move;
        if (!written.size || written.is_result) break;
        if (!find_move(&board, &written, &move)) {
            line->is_illegal = 1;
            break;
        }
        int is_new = 1;
        for (int earlier = ply - 4; is_new && earlier >= since; earlier -= 2) is_new = keys[earlier] != keys[ply];
        if (is_new) {
            if (visits->count == visits->room) return 0;
            visits->games[visits->count] = game;
            visits->plies[visits->count] = (uint8_t)ply;
            visits->keys[visits->count] = keys[ply];
            visits->moves[visits->count++] = (uint16_t)(move.to | move.from << 6 | move.promotion << 12);
        }
        if (make(&board, move)) since = ply + 1;
        line->plies = (uint8_t)(ply + 1);
        keys[ply + 1] = key_of(&board);
    }
    line->last_key = keys[line->plies];
    return 1;
}

int64_t core_decode(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends, int64_t n,
                    int32_t width, uint8_t *scratch, int64_t scratch_size, uint8_t *plies, uint8_t *is_illegal,
                    uint64_t *last_keys, uint32_t *visit_games, uint8_t *visit_plies, uint64_t *visit_keys,
                    uint16_t *visit_moves, int64_t room) {
    Visits visits = {visit_games, visit_plies, visit_keys, visit_moves, 0, room};
    if (width < 1 || width >= MOST_PLIES || n > UINT32_MAX) return REFUSED;
    for (int64_t game = 0; game < n; game++) {
        if (!is_span(begins[game], ends[game], size) || ends[game] - begins[game] > scratch_size) return REFUSED;
        const uint8_t *begin = text + begins[game], *end = text + ends[game];
        Line line;
        if (!is_plain_moves(begin, end)) {
            uint8_t aside;
            end = scratch + main_line(begin, end, scratch, &aside);
            begin = scratch;
        }
        if (!follow(begin, end, width, (uint32_t)game, &visits, &line)) return REFUSED;
        plies[game] = line.plies;
        is_illegal[game] = line.is_illegal;
        last_keys[game] = line.last_key;
    }
    return visits.count;
}

/* ---- Where games and their tags stand -------------------------------------------------------------------------- */

enum { TAG_LINE = 1, BLANK_LINE, MOVES_LINE, ODD_LINE };

typedef struct {
    int64_t start, moves, end;
    int runs, last; /* how many runs of lines of one kind, and the kind of the last */
    int is_plain;
} Region;

static int is_blank(uint8_t byte) { return byte == ' ' || byte == '\t'; }

/* By its beginning only: a line that begins with `[` is one of tags. */
static int kind_of_line(const uint8_t *at, const uint8_t *end) {
    if (at == end || (end - at == 1 && is_blank(*at))) return BLANK_LINE;
    if (*at == '[') return TAG_LINE;
    return is_blank(*at) || *at == '\v' || *at == '\f' || *at == '%' || *at == ';' || *at >= 128 ? ODD_LINE
                                                                                                  : MOVES_LINE;
}

/* Puts a line to a region, which is plain as long as its lines are tags, blank, moves, and blank or none. */
static void add_line(Region *region, int64_t place, int kind) {
    static const int expected[] = {TAG_LINE, BLANK_LINE, MOVES_LINE, BLANK_LINE};
    if (kind == region->last) return;
    if (region->runs == COUNT(expected) || kind != expected[region->runs]) region->is_plain = 0;
    else region->runs++;
    region->last = kind;
    if (region->runs == 3 && kind == MOVES_LINE) region->moves = place;
    if (region->runs == 4) region->end = place;
}

/* Whether what comes before a place may be a result, behind which another game could begin there. */
static int may_follow_result(const uint8_t *text, int64_t place) {
    int64_t last = place - 1;
    for (int i = 0; i < MOST_BLANKS && last > 0 && text[last] <= ' '; i++) last--;
    return last < 0 || text[last] <= ' ' || text[last] == '*' || within(text[last], '0', '2');
}

/* Whether a region is one plain game, now that it has ended; `brace`: the place of the last one before, or -1. */
static int close_region(const uint8_t *text, Region *region, int64_t end, int64_t brace) {
    if (region->runs < 4) region->end = end;
    if (brace >= region->moves && text[brace] == '{') region->is_plain = 0;
    return region->is_plain && region->runs >= 3;
}

/* Whether a line may have any of what `core_regions` looks at closer. Without branches, so that it is done for many
 * bytes at a time. */
static int has_marks(const uint8_t *text, int64_t line, int64_t line_end) {
    uint8_t found = 0;
    if (line < 2) return 1;
    for (const uint8_t *at = text + line, *end = text + line_end; at < end; at++) {
        found |= (uint8_t)((at[0] == '{') | (at[0] == '}'));
        found |= (uint8_t)((at[0] == '[') & ((at[-1] == ' ') | (at[-1] == '\t')));
        found |= (uint8_t)((at[0] == '.') & (at[-1] == '1') & (at[-2] <= ' '));
    }
    return found;
}

int64_t core_regions(const uint8_t *text, int64_t size, const int64_t *bounds, int64_t n_bounds, int64_t *starts,
                     int64_t *moves, int64_t *ends, uint8_t *are_plain, int64_t room) {
    int64_t found = 0, bound = 0, brace = -1, next;
    int before = 0, before_that = 0; /* the kinds of the last two lines */
    Region region = {0, 0, 0, 0, 0, 0};
    for (int64_t line = 0; line <= size; line = next) {
        int64_t line_end = find(text + line, text + size, '\n') - text;
        int is_start = line == 0 || line == size;
        next = line_end + 1;
        for (; bound < n_bounds && bounds[bound] <= line; bound++) is_start = 1;
        if (!is_start && text[line] == '[' && before == BLANK_LINE && before_that == MOVES_LINE)
            is_start = brace < 0 || brace < line - LONGEST_COMMENT || text[brace] != '{';
        if (is_start) {
            if (found && found <= room) {
                are_plain[found - 1] = (uint8_t)close_region(text, &region, line, brace);
                starts[found - 1] = region.start;
                moves[found - 1] = region.moves;
                ends[found - 1] = region.end;
            }
            if (line == size) break;
            region = (Region){line, size, line, 0, 0, 1};
            found++;
        }
        for (int64_t at = has_marks(text, line, line_end) ? line : line_end; at < line_end; at++) {
            if (!is_mark[text[at]]) continue;
            if (text[at] == '.') {
                int is_first = at > 0 && text[at - 1] == '1' && (at == 1 || text[at - 2] <= ' ');
                if (is_first && may_follow_result(text, at - 1)) region.is_plain = 0;
            } else if (text[at] != '[') {
                brace = at;
            } else if (at > 0 && is_blank(text[at - 1]) && may_follow_result(text, at)) {
                region.is_plain = 0;
            }
        }
        before_that = before;
        before = kind_of_line(text + line, text + line_end);
        int64_t last = line_end - 1;
        last -= last > line && text[last] == ' ';
        /* Behind a tag that does not end its line there may be moves: where the first bracket that closes is not the
         * last byte, a closer look is needed. */
        int is_whole = before != TAG_LINE || find(text + line, text + last + 1, ']') == text + last;
        add_line(&region, line, is_whole ? before : ODD_LINE);
        if (next > size) next = size;
    }
    return found;
}

int64_t core_count_lines(const uint8_t *text, int64_t size, const int64_t *places, int64_t n, int64_t *lines) {
    int64_t at = 0, count = 0;
    for (int64_t i = 0; i < n; i++) {
        if (places[i] < at || places[i] > size) return REFUSED;
        while (at < places[i]) { /* as many as a byte counts at once, which is done for many bytes at a time */
            int64_t end = places[i] - at > 255 ? at + 255 : places[i];
            uint8_t some = 0;
            for (; at < end; at++) some = (uint8_t)(some + (text[at] == '\n'));
            count += some;
        }
        lines[i] = count;
    }
    return n;
}

/* Whether a tag ends before a place, with nothing but blanks between. */
static int is_behind_tag(const uint8_t *text, int64_t place) {
    int64_t at = place, first = place > LOOK_BACK ? place - LOOK_BACK : 0, quote;
    while (at > first && is_blank(text[at - 1])) at--;
    if (at == first || text[--at] != ']') return 0;
    while (at > first && is_blank(text[at - 1])) at--;
    if (at == first || text[--at] != '"') return 0;
    quote = at;
    while (at > 0 && text[at - 1] == '\\') at--;
    return at >= first && (quote - at) % 2 == 0;
}

/* Whether a bracket is where a tag may begin: on a line of its own, behind a byte-order mark or behind a tag. */
static int may_begin_tag(const uint8_t *text, int64_t size, int64_t at) {
    if (at == 0 || text[at - 1] == '\n') return 1;
    if (at >= 3 && !memcmp(text + at - 3, "\xEF\xBB\xBF", 3)) return at == 3 || text[at - 4] == '\n';
    if (!is_blank(text[at - 1]) && text[at - 1] != ']') return 0;
    /* `[%` begins a command in a comment. */
    return !(at + 1 < size && text[at + 1] == '%') && is_behind_tag(text, at);
}

static int is_word(uint8_t byte) {
    return is_digit(byte) || byte == '_' || within(byte, 'A', 'Z') || within(byte, 'a', 'z');
}

/* Where a value that begins at `at` ends: at the first quote that is not escaped, or at the end; if it ends in
 * a lone backslash, or has too many, at the first quote. */
static const uint8_t *end_of_value(const uint8_t *at, const uint8_t *end) {
    const uint8_t *begin = at;
    for (int escapes = 0; at < end && *at != '"'; at++) {
        if (*at != '\\') continue;
        if (escapes++ == MOST_ESCAPES || at + 1 == end) return find(begin, end, '"');
        at++;
    }
    return at;
}

typedef struct {
    const uint8_t *names; /* one after the other */
    const int32_t *sizes;
    int32_t n;
} Names;

static int32_t number_of(const Names *names, const uint8_t *word, int64_t size) {
    const uint8_t *name = names->names;
    for (int32_t i = 0; i < names->n; name += names->sizes[i++])
        if (names->sizes[i] == size && *name == *word && !memcmp(name, word, (size_t)size)) return i;
    return -1;
}

/* The name and value of a tag whose text goes from its bracket to `end`; the name's number or -1. */
static int32_t read_tag(const uint8_t *at, const uint8_t *end, const Names *names, const uint8_t **begin,
                        const uint8_t **value_end) {
    if (end > at && is_blank(end[-1])) end--; /* what is left of a CRLF */
    for (at++; at < end && is_blank(*at);) at++;
    const uint8_t *name = at;
    while (at < end && is_word(*at)) at++;
    int32_t number = at > name ? number_of(names, name, at - name) : -1;
    if (number < 0) return -1;
    if (end - at >= 4 && at[0] == ' ' && at[1] == '"' && end[-2] == '"' && end[-1] == ']') {
        *begin = at + 2;
        *value_end = end - 2;
        return number;
    }
    while (at < end && is_blank(*at)) at++;
    if (at == end || *at != '"') return -1;
    *begin = at + 1;
    *value_end = end_of_value(at + 1, end);
    return number;
}

int64_t core_tags(const uint8_t *text, int64_t size, const int64_t *starts, const int64_t *moves, int64_t n,
                  const uint8_t *wanted, const int32_t *wanted_sizes, int32_t n_wanted, int64_t *begins,
                  int64_t *ends) {
    Names names = {wanted, wanted_sizes, n_wanted};
    memset(begins, 0, (size_t)(n * n_wanted) * sizeof *begins);
    memset(ends, 0, (size_t)(n * n_wanted) * sizeof *ends);
    for (int64_t game = 0; game < n; game++) {
        if (!is_span(starts[game], moves[game], size)) return REFUSED;
        const uint8_t *first = text + starts[game], *end = text + moves[game], *tag = find(first, end, '[');
        while (tag < end && tag > first && !may_begin_tag(text, size, tag - text)) tag = find(tag + 1, end, '[');
        const uint8_t *line_end = first; /* looked for once a line, however many tags stand there */
        while (tag < end) {
            const uint8_t *after = find(tag + 1, end, '['), *begin, *value_end;
            if (line_end <= tag) line_end = find(tag, end, '\n');
            while (after < end && !may_begin_tag(text, size, after - text)) after = find(after + 1, end, '[');
            int32_t number = read_tag(tag, after < line_end ? after : line_end, &names, &begin, &value_end);
            if (number >= 0) {
                begins[number * n + game] = begin - text;
                ends[number * n + game] = value_end - text;
            }
            tag = after;
        }
    }
    return n;
}

/* A hash that nobody who does not know the seed can foresee, eight bytes at a time. */
static uint64_t hash_of(const uint8_t *at, int64_t size, uint64_t seed) {
    uint64_t hash = seed ^ (uint64_t)size;
    for (; size > 0; at += 8, size -= 8) {
        uint64_t part = 0;
        memcpy(&part, at, size < 8 ? (size_t)size : 8);
        hash = (hash ^ part) * 0x9E3779B97F4A7C15u;
        hash ^= hash >> 29;
    }
    return hash ^ hash >> 32;
}

int64_t core_codes(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends, int64_t n,
                   uint64_t seed, int32_t *table, int64_t table_size, int32_t *codes, int32_t *firsts) {
    int64_t distinct = 0;
    if (table_size < 2 * n || table_size & (table_size - 1) || n > INT32_MAX) return REFUSED;
    memset(table, 0xFF, (size_t)table_size * sizeof *table);
    for (int64_t row = 0; row < n; row++) {
        if (!is_span(begins[row], ends[row], size)) return REFUSED;
        const uint8_t *value = text + begins[row];
        int64_t length = ends[row] - begins[row];
        int64_t at = (int64_t)(hash_of(value, length, seed) & (uint64_t)(table_size - 1));
        for (; table[at] >= 0; at = (at + 1) & (table_size - 1)) {
            int32_t first = firsts[table[at]];
            if (ends[first] - begins[first] == length && !memcmp(text + begins[first], value, (size_t)length)) break;
        }
        if (table[at] < 0) {
            table[at] = (int32_t)distinct;
            firsts[distinct++] = (int32_t)row;
        }
        codes[row] = table[at];
    }
    return distinct;
}

/* ---- Rows in the order of their keys --------------------------------------------------------------------------- */

enum { DIGIT_BITS = 8, DIGITS = 1 << DIGIT_BITS, PASSES = 4 };

static uint32_t digit_of(uint64_t key, int pass) { return (uint32_t)(key >> 32) >> pass * DIGIT_BITS & (DIGITS - 1); }

int64_t core_order(const uint32_t *visit_games, const uint8_t *visit_plies, const uint64_t *visit_keys,
                   const uint16_t *visit_moves, int64_t rows, const uint8_t *is_kept, const uint32_t *numbers,
                   int64_t n, Row *scratch, uint32_t *games, uint8_t *plies, uint64_t *keys, uint16_t *moves) {
    int64_t places[PASSES][DIGITS] = {{0}}, kept = 0;
    Row *rows_now = scratch, *rows_next = scratch + rows;
    for (int64_t row = 0; row < rows; row++) {
        if (visit_games[row] >= n) return REFUSED;
        if (!is_kept[visit_games[row]]) continue;
        Row one = {visit_keys[row], numbers[visit_games[row]], visit_moves[row], visit_plies[row]};
        for (int pass = 0; pass < PASSES; pass++) places[pass][digit_of(one.key, pass)]++;
        rows_now[kept++] = one;
    }
    for (int pass = 0; pass < PASSES; pass++) {
        int64_t before = 0;
        for (int digit = 0; digit < DIGITS; digit++) {
            int64_t count = places[pass][digit];
            places[pass][digit] = before;
            before += count;
        }
        for (int64_t row = 0; row < kept; row++)
            rows_next[places[pass][digit_of(rows_now[row].key, pass)]++] = rows_now[row];
        Row *swapped = rows_now;
        rows_now = rows_next;
        rows_next = swapped;
    }
    for (int64_t row = 0; row < kept; row++) {
        games[row] = rows_now[row].game;
        plies[row] = rows_now[row].ply;
        keys[row] = rows_now[row].key;
        moves[row] = rows_now[row].move;
    }
    return kept;
}

/* ---- All legal moves, to be counted ---------------------------------------------------------------------------- */

static uint64_t count_lines(const Board *board, int depth);

static uint64_t count_after(const Board *board, Move move, int depth) {
    Board next = *board;
    make(&next, move);
    return depth == 1 ? 1 : count_lines(&next, depth - 1);
}

static uint64_t count_lines(const Board *board, int depth) {
    int us = board->turn, base = us == WHITE ? 0 : A8;
    uint64_t count = 0;
    for (int to = 0; to < 64; to++) {
        if (board->side[us] & bit(to)) continue;
        Set from = pawns_to(board, to);
        for (int kind = KNIGHT; kind <= KING; kind++) from |= side_of(board, us, kind) & reached_by(board, kind, to);
        for (; from; from &= from - 1) {
            Move move = {(uint8_t)lowest(from), (uint8_t)to, NONE};
            int promotes = board->on[move.from] == PAWN && (to >> 3) == (us == WHITE ? 7 : 0);
            if (!is_safe(board, move)) continue;
            for (int kind = promotes ? KNIGHT : NONE; kind <= (promotes ? QUEEN : NONE); kind++) {
                move.promotion = (uint8_t)kind;
                count += count_after(board, move, depth);
            }
        }
    }
    for (int to = base + C1; to <= base + G1; to += G1 - C1) {
        Move move = {(uint8_t)(base + E1), (uint8_t)to, NONE};
        if (may_castle(board, move)) count += count_after(board, move, depth);
    }
    return count;
}

/* Sets up a position; 0: it is none, or has not one king a side. */
static int set_up(Board *board, const uint8_t *at, const uint8_t *end) {
    static const char letters[] = " PNBRQKpnbrqk", rights[] = "KQkq";
    int file = 0, rank = 7;
    memset(board, 0, sizeof *board);
    board->passed = NOWHERE;
    for (; at < end && *at != ' '; at++) {
        const char *letter = strchr(letters + 1, *at);
        if (*at == '/' && rank > 0) rank--, file = 0;
        else if (within(*at, '1', '8')) file += *at - '0';
        else if (*at && letter && file < 8) {
            int code = (int)(letter - letters);
            put(board, code > KING, code > KING ? code - KING : code, rank * 8 + file++);
        } else return 0;
    }
    if (end - at < 4) return 0;
    board->turn = at[1] == 'b';
    for (at += 3; at < end && *at != ' '; at++) {
        const char *right = *at ? strchr(rights, *at) : 0;
        if (right) board->castling |= (uint8_t)(1 << (right - rights));
    }
    if (end - at >= 3 && within(at[1], 'a', 'h') && within(at[2], '1', '8'))
        board->passed = (uint8_t)((at[2] - '1') * 8 + at[1] - 'a');
    for (int colour = WHITE; colour <= BLACK; colour++) {
        Set kings = side_of(board, colour, KING);
        if (!kings || kings & (kings - 1)) return 0;
    }
    return 1;
}

int64_t core_perft(const uint8_t *fen, int64_t size, int32_t depth) {
    Board board;
    if (depth < 1 || !set_up(&board, fen, fen + size)) return REFUSED;
    return (int64_t)count_lines(&board, depth);
}
