"""What mails say around their facts, in each language."""

from __future__ import annotations

PHRASES: dict[str, dict[str, str]] = {
    "en": {
        "since": " about {day}",
        "gained": "It gained about {mid} of their output (likely {low} to {high}).",
        "gained_nothing": "We could not measure a gain: the estimate is {mid} of their output (likely {low} to "
        "{high}), which may be nothing.",
        "photos_attached": "The photos before and after are attached.",
        "photos_none": "No photos were taken this time.",
        "found": "This is what we saw up there:\n{list}",
        "found_nothing": "Nothing else stood out up there.",
        "visit": "{time}, {customer}, {address}",
        "cost": "The price is {price}. ",
        "pay_by": "Please pay {amount} by {day}. How to pay stands on it.",
        "paid": "It is paid; nothing is left to do.",
        "credited": "It takes back a part or all of invoice {number}: {why}",
        "upload": "upload it here: {link}",
        "attach": "answer this mail with the file attached.",
        "lead": "{customer}, {site}: {why}",
        "footer": "{business}, {address}\nYou get this mail because {reason}.",
        "stop": "Stop these mails",
        "choose": "Choose which mails you get",
        "because_customer": "you agreed to hear from us about your panels",
        "because_booked": "you booked a visit",
        "because_staff": "you work for {business}",
    },
    "es": {
        "since": " hacia el {day}",
        "gained": "Con ello recuperaron alrededor del {mid} de su producción (probablemente del {low} al {high}).",
        "gained_nothing": "No pudimos medir una ganancia: la estimación es del {mid} de su producción (probablemente "
        "del {low} al {high}), que puede ser nada.",
        "photos_attached": "Adjuntamos las fotos de antes y de después.",
        "photos_none": "Esta vez no se hicieron fotos.",
        "found": "Esto es lo que vimos arriba:\n{list}",
        "found_nothing": "Por lo demás, no vimos nada que llamara la atención.",
        "visit": "{time}, {customer}, {address}",
        "cost": "El precio es de {price}. ",
        "pay_by": "Le pedimos que pague {amount} hasta el {day}. En ella se indica cómo.",
        "paid": "Está pagada; no queda nada por hacer.",
        "credited": "Anula una parte o toda la factura {number}: {why}",
        "upload": "súbalo aquí: {link}",
        "attach": "responda a este correo adjuntando el archivo.",
        "lead": "{customer}, {site}: {why}",
        "footer": "{business}, {address}\nRecibe este correo porque {reason}.",
        "stop": "No recibir más correos",
        "choose": "Elegir qué correos recibo",
        "because_customer": "aceptó que le escribamos sobre sus paneles",
        "because_booked": "reservó una visita",
        "because_staff": "trabaja en {business}",
    },
}
