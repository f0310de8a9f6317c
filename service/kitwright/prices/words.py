"""Words: the headings of columns and the words for availability in suppliers' files, in English,
German and French.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from kitwright.catalogue.model import Availability, PriceColumn

_COLUMNS: Final = {
    PriceColumn.number: (
        "number, part number, part no, partno, part, item, item number, item no, item code, code, "
        "sku, order number, order code, article, article number, article no, stock code, "
        "product code, catalogue number, supplier part number, supplier part no, "
        "Artikelnummer, Artikel-Nr, Art.-Nr., ArtNr, Artikel, Bestellnummer, Bestell-Nr., "
        "Teilenummer, Teile-Nr., Nummer, Sachnummer, Lieferantenartikelnummer, "
        "référence, réf, réf., code article, numéro d'article, n° article, numéro de pièce, "
        "n° pièce, référence article, référence fournisseur, numéro"
    ),
    PriceColumn.maker: (
        "maker, make, brand, manufacturer, mfr, mfg, "
        "Hersteller, Marke, Fabrikat, "
        "marque, fabricant, constructeur"
    ),
    PriceColumn.maker_number: (
        "maker number, maker's number, manufacturer part number, manufacturer number, "
        "manufacturer's number, mfr part number, mfr part no, mpn, oem, oem number, oem no, "
        "original number, oe number, "
        "Herstellernummer, Hersteller-Nr., Herstellerartikelnummer, Hersteller-Artikelnummer, "
        "OE-Nummer, OEM-Nummer, Originalnummer, Hersteller-Teilenummer, "
        "référence fabricant, réf fabricant, réf. fabricant, référence constructeur, "
        "référence origine, numéro d'origine, référence oem"
    ),
    PriceColumn.description: (
        "description, desc, name, item description, product, product name, part name, title, "
        "Bezeichnung, Beschreibung, Artikelbezeichnung, Benennung, Kurztext, Artikelname, Text, "
        "désignation, libellé, dénomination, nom, description article"
    ),
    PriceColumn.list_price: (
        "list, list price, retail, retail price, rrp, msrp, srp, suggested retail price, "
        "recommended retail price, "
        "Listenpreis, Bruttopreis, Brutto, UVP, Katalogpreis, VK, VK-Preis, Verkaufspreis, "
        "unverbindliche Preisempfehlung, "
        "prix public, prix catalogue, prix brut, prix de vente, PPC, prix de vente conseillé, "
        "prix public ht, tarif public"
    ),
    PriceColumn.cost: (
        "cost, cost price, net, net price, dealer, dealer price, dealer cost, dealer net, price, "
        "trade price, your price, wholesale, wholesale price, pack price, price per pack, "
        "Einkaufspreis, EK, EK-Preis, EK netto, Nettopreis, Netto, Händlerpreis, Preis, "
        "Haendlerpreis, Ihr Preis, Preis netto, "
        "prix, prix net, prix d'achat, prix achat, prix revendeur, PA, prix net ht, prix ht, "
        "prix d'achat ht, votre prix, tarif, tarif net"
    ),
    PriceColumn.cost_each: (
        "unit price, unit cost, price each, cost each, each, price per piece, net price each, "
        "Stückpreis, Preis pro Stück, Preis je Stück, Einzelpreis, "
        "prix unitaire, prix à la pièce, prix unitaire ht, PU, PU ht"
    ),
    PriceColumn.per: (
        "price unit, price per, per, price basis, price quantity, "
        "Preiseinheit, PE, Preis pro, Preis per, "
        "unité de prix, prix par"
    ),
    PriceColumn.pack: (
        "pack, pack size, pack qty, pack quantity, package quantity, packaging, quantity per pack, "
        "pieces per pack, unit of sale, "
        "VE, VPE, Verpackungseinheit, Packung, Packungsgröße, Packungsinhalt, Inhalt, Gebinde, "
        "conditionnement, colisage, quantité par paquet, unité de vente"
    ),
    PriceColumn.minimum: (
        "minimum, min, minimum order, minimum quantity, min qty, min order qty, "
        "minimum order quantity, moq, "
        "Mindestmenge, Mindestbestellmenge, Mindestabnahme, "
        "quantité minimale, minimum de commande, quantité minimum, qté min"
    ),
    PriceColumn.multiple: (
        "multiple, order multiple, multiples of, order in multiples of, sold in, "
        "Staffelung, Bestellschritt, Vielfaches, Bestellvielfaches, "
        "multiple de commande, par multiple de, multiples"
    ),
    PriceColumn.breaks: (
        "breaks, price breaks, quantity breaks, quantity prices, "
        "Staffel, Staffelpreise, Mengenstaffel, "
        "paliers, prix dégressifs, prix par quantité"
    ),
    PriceColumn.availability: (
        "availability, available, status, stock status, in stock, "
        "Verfügbarkeit, verfügbar, Lieferbarkeit, lieferbar, Lagerstatus, "
        "disponibilité, disponible, statut, état, en stock"
    ),
    PriceColumn.stock: (
        "stock, stock qty, stock quantity, qty in stock, quantity available, on hand, qty, "
        "Bestand, Lagerbestand, Lager, Menge auf Lager, "
        "quantité en stock, qté en stock, stock disponible, quantité disponible"
    ),
    PriceColumn.lead_days: (
        "lead days, lead time, lead time days, delivery, delivery time, delivery days, "
        "Lieferzeit, Lieferzeit Tage, Lieferzeit in Tagen, Liefertage, "
        "délai, délai de livraison, délai jours, délai en jours"
    ),
    PriceColumn.core: (
        "core, core deposit, core charge, deposit, exchange charge, surcharge, "
        "Pfand, Altteilpfand, Altteilwert, Altteilsteuer, Tauschpfand, "
        "consigne, consigne vieille matière"
    ),
    PriceColumn.superseded_by: (
        "superseded by, supersession, replaced by, new number, new part number, successor, "
        "Ersatznummer, ersetzt durch, Nachfolger, neue Nummer, Nachfolgeartikel, "
        "remplacé par, nouvelle référence, nouveau numéro"
    ),
    PriceColumn.replaces: (
        "replaces, old number, old part number, previous number, supersedes, formerly, "
        "ersetzt, alte Nummer, alte Artikelnummer, Vorgänger, frühere Nummer, "
        "remplace, ancienne référence, ancien numéro"
    ),
}

_AVAILABLE: Final = {
    Availability.in_stock: (
        "in stock, stock, yes, y, available, true, x, ok, green, immediately, "
        "ja, j, verfügbar, lieferbar, auf lager, lagernd, lager, vorrätig, sofort, "
        "sofort lieferbar, grün, ab lager, "
        "oui, o, disponible, en stock, immédiat, vert, sur stock"
    ),
    Availability.unknown: (
        "unknown, on request, ask, call, low, low stock, limited, few left, yellow, amber, "
        "unbekannt, auf anfrage, anfrage, knapp, wenige, geringer bestand, gelb, begrenzt, "
        "inconnu, sur demande, nous consulter, stock limité, limité, faible, jaune, stock faible, "
        "to order, special order, auf bestellung, bestellware, sur commande"
    ),
    Availability.back_order: (
        "out of stock, no, n, back order, backorder, on back order, not available, unavailable, "
        "false, none, red, sold out, temporarily unavailable, "
        "nein, nicht verfügbar, nicht lieferbar, ausverkauft, rückstand, im rückstand, rot, "
        "nicht auf lager, zurzeit nicht lieferbar, vergriffen, "
        "non, indisponible, rupture, rupture de stock, en rupture, épuisé, rouge, en attente"
    ),
    Availability.discontinued: (
        "discontinued, obsolete, no longer available, nla, deleted, end of life, withdrawn, "
        "entfällt, entfallen, auslaufend, nicht mehr lieferbar, eingestellt, ausgelaufen, "
        "supprimé, arrêté, abandonné, plus disponible, fin de vie, n'est plus livré, obsolète"
    ),
}

_ON_REQUEST: Final = (
    "on request, poa, price on application, tba, tbc, n/a, na, call, ask, "
    "auf anfrage, anfrage, a.a., p.a., preis auf anfrage, k.a., "
    "sur demande, nous consulter, prix sur demande, n.c., nc, -, --"
)


def folded(text: str) -> str:
    """Return a heading or a word in small letters, without accents, spaces and other signs.

    >>> folded("Réf. fabricant (HT)")
    'reffabricantht'
    """
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in plain if letter.isalnum())


def _split(words: str) -> list[str]:
    return [folded(word) for word in words.split(", ")]


HEADINGS: Final = {word: column for column, words in _COLUMNS.items() for word in _split(words)}
"""Heading, folded -> the column that it names."""
AVAILABILITY: Final = {word: what for what, words in _AVAILABLE.items() for word in _split(words)}
"""Word for availability, folded -> its meaning."""
ON_REQUEST: Final = frozenset(word.strip().casefold() for word in _ON_REQUEST.split(", "))
"""Words in place of a price, in small letters."""

_ADDED: Final = re.compile(r"\([^)]*\)|\[[^\]]*\]")
_UNIT: Final = re.compile(
    r"(?:in|en)?(?:eur|usd|gbp|chf|cad|aud|nzd|sek|nok|dkk|pln|czk|euro|dollars?)"
)
_TAX: Final = re.compile(r"(?:ht|horstaxe|ohnemwst|zzglmwst|exvat|exclvat|exctax|excltax)")
_BREAK: Final = (
    re.compile(
        r"(?:breakqty|breakquantity|break|qtybreak|qty|quantity|abmenge|staffelmenge|menge|"
        r"staffelab|quantite|qte|palier)([1-9])"
    ),
    re.compile(
        r"(?:breakprice|breakcost|pricebreak|price|cost|staffelpreis|preis|ekstaffel|prix|"
        r"prixpalier|tarif)([1-9])"
    ),
)


def column_of(heading: str) -> PriceColumn | None:
    """Return the column that a heading names, None if it is not recognised.

    A currency, a note in brackets and "without tax" after the name are left out.
    """
    whole = folded(heading)
    short = folded(_ADDED.sub(" ", heading))
    bare = _UNIT.sub("", short) if len(short) > 3 else short
    taxless = _TAX.sub("", bare) if len(bare) > 4 else bare
    for name in (whole, short, bare, taxless):
        if name in HEADINGS:
            return HEADINGS[name]
    return None


def break_of(heading: str) -> tuple[int, bool] | None:
    """Return which price break a heading belongs to, from 1, and whether it is that of the price;
    None if it is not that of a price break.
    """
    name = folded(_ADDED.sub(" ", heading))
    for is_price, pattern in enumerate(_BREAK):
        match = pattern.fullmatch(name)
        if match is not None:
            return int(match[1]), bool(is_price)
    return None
