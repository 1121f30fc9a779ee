from django.urls import path

from accounts import institution_views, roster_views, views

app_name = "accounts"
urlpatterns = [
    path("", views.door, name="door"),
    path("institution/<slug:institution>/", institution_views.institution, name="institution"),
    path("keys/", views.keys_page, name="keys"),
    path("p/<slug:programme>/", views.start, name="start"),
    path("p/<slug:programme>/work-as/", views.work_as, name="work_as"),
    path("p/<slug:programme>/settings/", views.settings, name="settings"),
    path("p/<slug:programme>/people/", views.people_page, name="people"),
    path("p/<slug:programme>/people/new/", views.person_new, name="person_new"),
    path("p/<slug:programme>/people/import/", roster_views.import_people, name="roster"),
    path("p/<slug:programme>/people/<uuid:membership>/", views.person, name="person"),
]
